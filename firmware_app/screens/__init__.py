"""The screens: a view in, a pygame surface out. No logic, no input, no time of their own.

picture = Painter((480, 320), DAY).paint(view)      # from firmware_app.screens.painter, .theme
panel.present(picture.surface, picture.rows)
"""

from firmware_app import sdl

sdl.load()
