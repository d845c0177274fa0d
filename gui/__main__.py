"""``python -m gui``."""

from gui.app import main

raise SystemExit(main())
