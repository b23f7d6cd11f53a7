"""``python -m firmware_app`` is ``rumblestrip``."""

try:
    from firmware_app.cli import main
except KeyboardInterrupt:
    # On a small board this takes its time; from here on the command sees to it itself.
    raise SystemExit(130) from None

raise SystemExit(main())
