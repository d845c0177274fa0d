"""``python -m benchkit``."""

from benchkit.cli.main import main

if __name__ == "__main__":
    raise SystemExit(main())
