"""What to add, what must stay, what may go, and how far a move may stray: advice on a plan before the shoot."""
