"""``python -m benchkit``."""

from benchkit.cli.main import main

raise SystemExit(main())
