"""``python -m scatterproof``: the command line."""

from .cli.main import main

raise SystemExit(main())
