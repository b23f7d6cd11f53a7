"""The screens: a view in, a pygame surface out. No logic, no input, no time of their own.

picture = Painter((480, 320), DAY).paint(view)      # from firmware_app.screens.painter, .theme
panel.present(picture.surface, picture.rows)
"""

import os

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")  # its banner would spoil a JSON document on stdout
