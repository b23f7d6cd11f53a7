"""``python -m firmware_app`` is ``rumblestrip``."""

from firmware_app.cli import main

raise SystemExit(main())
