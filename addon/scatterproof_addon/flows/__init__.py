"""What a button does, without the button: flows from scene to plan, engine and back."""
