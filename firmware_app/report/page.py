"""The frame of a page: one self-contained HTML file, for a phone, a desktop and paper, by day and by night.

Everything that is not ``Html`` already is escaped. Nothing is fetched: the page forbids it to the browser itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

DAY = {"paper": "#f7f4ec", "ink": "#0f1216", "quiet": "#42464c", "accent": "#922600"}
NIGHT = {"paper": "#090b0e", "ink": "#e2dcd0", "quiet": "#aca89e", "accent": "#ffa838"}
PRINT = {"paper": "#ffffff", "ink": "#000000", "quiet": "#404040", "accent": "#922600"}
"""Two inks and one accent, as on the unit, each at 7:1 or better on its paper (W3C WCAG 2.1, 1.4.6)."""


class Html(str):
    """Markup that is safe to put on the page as it is."""

    __slots__ = ()


def text(value: object) -> Html:
    """Anything as markup: escaped, unless it is markup already."""
    return value if isinstance(value, Html) else Html(escape(str(value)))


def page(title: str, under: str, sections: Iterable[Html]) -> str:
    """A whole page. ``under`` is the line below the title."""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f'<meta name="color-scheme" content="light dark">\n<title>{text(title)}</title>\n<style>{_STYLE}</style>\n'
        f"</head>\n<body>\n<header><h1>{text(title)}</h1><p>{text(under)}</p></header>\n"
        f"<main>\n{''.join(sections)}</main>\n</body>\n</html>\n"
    )


def section(heading: str, *parts: object) -> Html:
    """One part of the page under a heading."""
    return Html(f"<section><h2>{text(heading)}</h2>\n{''.join(map(text, parts))}</section>\n")


def paragraph(words: object, quiet: bool = False) -> Html:
    """A paragraph; ``quiet`` for what explains rather than tells."""
    return Html(f"<p{' class=quiet' if quiet else ''}>{text(words)}</p>\n")


def figures(pairs: Iterable[tuple[str, str]]) -> Html:
    """The large figures of a page: (name, value)."""
    rows = "".join(f"<div><dt>{text(name)}</dt><dd>{text(value)}</dd></div>" for name, value in pairs)
    return Html(f"<dl>{rows}</dl>\n")


def listing(sentences: Sequence[object]) -> Html:
    """Sentences below one another."""
    return Html(f"<ul>{''.join(f'<li>{text(sentence)}</li>' for sentence in sentences)}</ul>\n")


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> Html:
    """A table whose first column names the row. Where the page is too narrow it scrolls by itself, with a
    shade at its right edge for as long as there is more: a phone shows no bar."""
    top = "".join(f'<th scope="col">{text(name)}</th>' for name in head)
    body = "".join(
        f'<tr><th scope="row">{text(first)}</th>{"".join(f"<td>{text(cell)}</td>" for cell in rest)}</tr>\n'
        for first, *rest in rows
    )
    return Html(f'<div class="wide"><table><thead><tr>{top}</tr></thead>\n<tbody>{body}</tbody></table></div>\n')


def bar(fraction: float) -> Html:
    """A bar for a table cell; the number beside it says the same."""
    return Html(f'<span class="bar"><i style="width:{100 * min(max(fraction, 0), 1):.1f}%"></i></span>')


def picture(svg: str, caption: str) -> Html:
    """A plot with the words that say how to read it."""
    return Html(f"<figure>{svg}<figcaption>{text(caption)}</figcaption></figure>\n")


def _colours(colours: dict[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in colours.items())


_STYLE = f"""
:root{{color-scheme:light dark;{_colours(DAY)}}}
@media (prefers-color-scheme:dark){{:root{{{_colours(NIGHT)}}}}}
@media print{{:root{{color-scheme:light;{_colours(PRINT)}}}}}
*{{box-sizing:border-box}}
html{{-webkit-text-size-adjust:100%}}
body{{margin:0 auto;max-width:46rem;padding:1rem;background:var(--paper);color:var(--ink);
font:1rem/1.45 system-ui,sans-serif;font-variant-numeric:tabular-nums;overflow-wrap:break-word}}
h1{{font-size:1.5rem;line-height:1.2;margin:.5rem 0 .2rem}}
h2{{font-size:1.15rem;margin:2rem 0 .5rem;padding-top:.6rem;border-top:2px solid var(--ink)}}
header p,.quiet,figcaption,dt,thead th{{color:var(--quiet)}}
p{{margin:.4rem 0}}
ul{{margin:.4rem 0;padding-left:1.2rem}}
dl{{display:grid;grid-template-columns:repeat(auto-fit,minmax(6rem,1fr));gap:.8rem 1rem;margin:1rem 0}}
dl div{{display:flex;flex-direction:column;justify-content:space-between}}
dt{{font-size:.85em;line-height:1.25}}
dd{{margin:0;white-space:nowrap;font-size:1.3rem;font-weight:600;line-height:1.2}}
figure{{margin:.8rem 0}}
figure svg{{display:block;width:100%;max-width:38rem;height:auto}}
figcaption,.quiet{{font-size:.85em}}
.wide{{overflow-x:auto;background:linear-gradient(to left,var(--paper) 30%,transparent) right/3rem 100% no-repeat local,
linear-gradient(to left,var(--quiet),transparent) right/.7rem 100% no-repeat scroll}}
table{{border-collapse:collapse;width:100%;font-size:.95em}}
th,td{{text-align:right;padding:.3rem 0 .3rem .7rem;vertical-align:baseline;font-weight:400;
white-space:nowrap}}
th:first-child{{text-align:left;padding-left:0}}
thead th{{font-size:.85em;border-bottom:1px solid var(--quiet)}}
td:has(.bar){{width:42%;min-width:5rem}}
.bar{{display:block;height:.8em;border-left:2px solid var(--ink)}}
.bar i{{display:block;height:100%;background:var(--ink);print-color-adjust:exact;-webkit-print-color-adjust:exact}}
@media (max-width:46rem){{dl{{grid-template-columns:repeat(2,1fr)}}}}
@media (max-width:30rem){{table{{font-size:.85em}}th,td{{padding-left:.35rem}}td:has(.bar){{width:30%;min-width:3rem}}
thead th{{white-space:normal;overflow-wrap:normal;vertical-align:bottom;font-size:.8em}}}}
@media print{{@page{{margin:14mm}}body{{max-width:none;padding:0;font-size:9.5pt}}
h2{{font-size:11pt;margin-top:.9rem;padding-top:.3rem;break-after:avoid}}dl{{grid-template-columns:repeat(6,1fr)}}
figure,tr,li,dl{{break-inside:avoid}}figure{{max-width:115mm}}th,td{{padding-top:.12rem;padding-bottom:.12rem}}
.wide{{overflow:visible;background:none;break-inside:avoid}}}}
"""
