"""``python -m biofeedback``."""

from biofeedback.cli import main

raise SystemExit(main())
