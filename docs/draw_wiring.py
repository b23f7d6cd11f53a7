"""Draws docs/wiring.svg from config/unit.toml, so that the drawing cannot disagree with the pins.

python docs/draw_wiring.py
"""

from __future__ import annotations

from pathlib import Path

from firmware_app import settings
from firmware_app.devices import header

INK, QUIET, LIVE, PAPER = "#14171c", "#5a5f66", "#8a2600", "#ffffff"
GROUND = 39, 34, 30, 14  # positions of the header that are ground, one for each wire drawn
SUPPLY = 1  # 3.3 V

ROW, TOP, LEFT = 24, 90, 150  # px of a header row, its first row, its odd column


def text(x: float, y: float, words: str, *, anchor: str = "start", size: int = 14, colour: str = INK) -> str:
    return f'<text x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}" fill="{colour}">{words}</text>'


def line(*points: tuple[float, float], colour: str = INK, width: float = 2) -> str:
    path = " ".join(f"{x:g},{y:g}" for x, y in points)
    return f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width:g}"/>'


def box(x: float, y: float, width: float, height: float, fill: str = PAPER) -> str:
    return (
        f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" fill="{fill}" stroke="{INK}" '
        'stroke-width="2"/>'
    )


def dot(x: float, y: float, colour: str = INK) -> str:
    return f'<circle cx="{x:g}" cy="{y:g}" r="4" fill="{colour}"/>'


def ring(x: float, y: float) -> str:
    return f'<circle cx="{x:g}" cy="{y:g}" r="4" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'


def ground(x: float, y: float) -> list[str]:
    """The sign for ground, hanging from (x, y)."""
    return [
        line((x, y), (x, y + 8)),
        *(line((x - w, y + 8 + 5 * i), (x + w, y + 8 + 5 * i)) for i, w in enumerate((12, 8, 4))),
    ]


def resistor(x: float, y: float, words: str, *, upright: bool = False) -> list[str]:
    """A resistor centred on (x, y)."""
    if upright:
        return [box(x - 7, y - 22, 14, 44), text(x + 14, y + 5, words)]
    return [box(x - 22, y - 7, 44, 14), text(x, y - 14, words, anchor="middle")]


def row_of(position: int) -> float:
    return TOP + ((position - 1) // 2) * ROW


def column_of(position: int) -> float:
    return LEFT if position % 2 else LEFT + 60


def board(unit: settings.Unit) -> list[str]:
    """The header as its own numbering counts it: odd positions on the left."""
    used = {header.PHYSICAL[pin]: (key, pin) for key, pin in header.pins(unit).items()}
    parts = [box(LEFT - 32, TOP - 24, 124, 20 * ROW + 24, "#f2f2ee")]
    parts.append(text(LEFT + 30, TOP - 36, "40-pin header of the board", anchor="middle"))
    caption = "seen from above, position 1 at the top"
    parts.append(text(LEFT + 30, TOP + 20 * ROW + 20, caption, anchor="middle", size=12, colour=QUIET))
    for position in range(1, 41):
        x, y = column_of(position), row_of(position)
        live = position in used or position in GROUND or position == SUPPLY
        parts.append(box(x - 7, y - 7, 14, 14, LIVE if live else PAPER))
        inner, side = (x + 14, "start") if position % 2 else (x - 14, "end")
        parts.append(text(inner, y + 4, str(position), anchor=side, size=10, colour=QUIET))
        words = ""
        if position in used:
            key, pin = used[position]
            words = f"{key.removeprefix('keys.').removesuffix('_pin').removesuffix('.pin')} · GPIO {pin}"
        elif position in GROUND:
            words = "ground"
        elif position == SUPPLY:
            words = "3.3 V"
        if words and position % 2:
            parts.append(text(x - 40, y + 5, words, anchor="end", size=12, colour=LIVE))
        elif words:
            parts.append(text(x + 40, y + 5, words, size=12, colour=LIVE))
    return parts


def button(x: float, y: float, name: str, pin: int) -> list[str]:
    """A push button from a pin to ground."""
    position = header.PHYSICAL[pin]
    return [
        text(x, y - 26, f"{name} key", size=15),
        text(x, y + 5, f"GPIO {pin} (position {position})", size=12, colour=LIVE),
        line((x + 160, y), (x + 200, y)),
        *resistor(x + 222, y, "1 kΩ"),
        line((x + 244, y), (x + 290, y)),
        ring(x + 294, y),
        ring(x + 334, y),
        line((x + 290, y - 12), (x + 338, y - 12), width=3),
        line((x + 314, y - 12), (x + 314, y - 22)),
        line((x + 338, y), (x + 370, y)),
        *ground(x + 370, y),
    ]


def driver(x: float, y: float, title: str, base: str, pin: int, load: list[str], supply: str) -> list[str]:
    """A transistor that switches ``load``, drawn between (x + 330, y - 150) and (x + 330, y - 60)."""
    position = header.PHYSICAL[pin]
    return [
        text(x, y - 176, title, size=15),
        text(x, y + 5, f"GPIO {pin} (position {position})", size=12, colour=LIVE),
        line((x + 160, y), (x + 188, y)),
        *resistor(x + 210, y, base),
        line((x + 232, y), (x + 300, y)),
        dot(x + 256, y),
        line((x + 256, y), (x + 256, y + 18)),
        *resistor(x + 256, y + 40, "10 kΩ", upright=True),
        line((x + 256, y + 62), (x + 256, y + 70)),
        *ground(x + 256, y + 70),
        f'<circle cx="{x + 316:g}" cy="{y:g}" r="28" fill="none" stroke="{INK}" stroke-width="2"/>',
        line((x + 300, y - 16), (x + 300, y + 16), width=4),
        line((x + 300, y - 8), (x + 330, y - 26), (x + 330, y - 60)),
        line((x + 300, y + 8), (x + 330, y + 26), (x + 330, y + 70)),
        f'<polygon points="{x + 328:g},{y + 25:g} {x + 316:g},{y + 24:g} {x + 322:g},{y + 14:g}" fill="{INK}"/>',
        *ground(x + 330, y + 70),
        text(x + 352, y + 5, "NPN", size=12, colour=QUIET),
        text(x + 330, y - 156, supply, anchor="middle", size=12, colour=LIVE),
        *load,
    ]


def piezo(x: float, y: float) -> list[str]:
    return [
        line((x, y - 90), (x, y - 64)),
        box(x - 5, y - 44, 10, 20, "#d8d8d0"),
        line((x - 18, y - 52), (x + 18, y - 52), width=3),
        line((x - 18, y - 16), (x + 18, y - 16), width=3),
        line((x, y - 64), (x, y - 52)),
        line((x, y - 16), (x, y)),
        dot(x, y - 72),
        dot(x, y - 4),
        line((x, y - 72), (x + 60, y - 72), (x + 60, y - 58)),
        *resistor(x + 60, y - 36, "1 kΩ", upright=True),
        line((x + 60, y - 14), (x + 60, y - 4), (x, y - 4)),
        text(x - 26, y - 30, "piezo", anchor="end", size=12, colour=QUIET),
    ]


def motor(x: float, y: float) -> list[str]:
    return [
        line((x, y - 90), (x, y - 56)),
        f'<circle cx="{x:g}" cy="{y - 36:g}" r="20" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>',
        text(x, y - 31, "M", anchor="middle", size=15),
        line((x, y - 16), (x, y)),
        dot(x, y - 72),
        dot(x, y - 4),
        line((x, y - 72), (x + 60, y - 72), (x + 60, y - 4), (x, y - 4)),
        f'<polygon points="{x + 48:g},{y - 26:g} {x + 72:g},{y - 26:g} {x + 60:g},{y - 46:g}" fill="{INK}"/>',
        line((x + 46, y - 47), (x + 74, y - 47), width=3),
        text(x + 80, y - 32, "diode", size=12, colour=QUIET),
        text(x - 26, y - 32, "motor or buzzer", anchor="end", size=12, colour=QUIET),
    ]


def drawing() -> str:
    """The whole drawing as SVG."""
    path = settings.defaults_dir() / "unit.toml"
    unit = settings.convert(settings.read_toml(path), settings.Unit, path)  # as shipped, whoever draws
    right = 430
    parts = [text(24, 34, "Rumblestrip: what is wired to the board", size=20)]
    parts += board(unit)
    y = 100.0
    for name, key_pin in unit.keys.fitted().items():
        parts += button(right, y, name, key_pin)
        y += 76
    sounder_y, load_x = y + 150, right + 330.0
    pin = unit.sounder.pin
    load = piezo(load_x, sounder_y - 60)
    parts += driver(right, sounder_y, "sounder, kind “piezo”", "1 kΩ", pin, load, "3.3 V (position 1)")
    sounder_y += 290
    load, supply = motor(load_x, sounder_y - 60), "its own voltage: 3.3 V, or 5 V (position 2)"
    parts += driver(right, sounder_y, "or instead: kind “motor” or “buzzer”", "470 Ω", pin, load, supply)
    parts.append(text(24, TOP + 20 * ROW + 60, "Power comes in by the board’s own USB socket.", size=12, colour=QUIET))
    parts.append(text(24, TOP + 20 * ROW + 78, "Every ground sign is the same ground.", size=12, colour=QUIET))
    body = "\n".join(parts)
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 960 880" width="960" height="880" '
        f'font-family="sans-serif"><rect width="960" height="880" fill="{PAPER}"/>\n{body}\n</svg>\n'
    )


if __name__ == "__main__":
    (Path(__file__).parent / "wiring.svg").write_text(drawing(), encoding="utf-8")
