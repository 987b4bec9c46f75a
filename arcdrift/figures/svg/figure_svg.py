"""A figure dictionary as SVG.

Paper shows the figures of the pages: what a builder of `arcdrift.figures` returns is drawn in the
browser by Plotly and on paper here, so that both have the same marks, limits and words. Only what
those builders use is known; anything else is an error, so that paper never leaves a mark out.
"""

import re
from collections.abc import Mapping
from html import escape, unescape
from typing import Any

from arcdrift.figures.picture import Picture
from arcdrift.figures.svg.svg_axes import Axis, axis_of, numbers, sequence
from arcdrift.figures.svg.svg_marks import mark_svg, number, stroke, trace_svg
from arcdrift.figures.theme import colors

WIDTH = 720.0
"""SVG units over the whole figure; at 180 mm of a page one of them is a quarter of a mm."""
FONT_PX, SMALL_PX = 13.0, 12.0
LETTER = 0.55
"""Mean width of a letter in font sizes, for sans-serif faces (measured on Liberation Sans)."""
ROOM = 10.0
KEY_ROW = 18.0
"""Height of a row of the key to the marks."""
_MARKUP = re.compile(r"<br\s*/?>")
KNOWN_SHAPES = ("line", "rect")


def picture_svg(picture: Picture, width: float = WIDTH) -> str:
    """Return the figure of a picture as SVG with its sentence as the alternative text."""
    figure = picture.figure
    if figure is None:
        raise ValueError("there is nothing to draw; show the sentence")
    plain = figure if isinstance(figure, dict) else figure.to_plotly_json()
    return figure_svg(plain, picture.summary, width=width)


def figure_svg(figure: Mapping[str, Any], description: str, *, width: float = WIDTH) -> str:
    """Return a figure dictionary as SVG, light and without a script.

    Parameters
    ----------
    figure : mapping
        ``data`` and ``layout``, of `arcdrift.figures.plain_figure` or of a Plotly figure.
    description : str
        What is seen, for those who cannot see it.

    Raises
    ------
    ValueError
        When it holds something that paper cannot draw.
    """
    layout, traces = figure["layout"], [trace for trace in figure["data"] if _has_points(trace)]
    height = float(layout["height"])
    left, right, top, bottom = _margins(layout, traces, width)
    axes = {
        name: axis_of(settings, _values(traces, layout, name), *ends)
        for name, settings in _axis_settings(layout).items()
        for ends in [(left, width - right) if name.startswith("x") else (height - bottom, top)]
    }
    shapes = [(shape, _shape(shape, axes)) for shape in layout.get("shapes") or ()]
    parts = [_grid(axes), *(text for shape, text in shapes if shape.get("layer") == "below")]
    before = ""
    for trace in traces:
        drawn, before = trace_svg(
            trace, axes[trace.get("xaxis") or "x"], axes[trace.get("yaxis") or "y"], before
        )
        parts.append(drawn)
    parts += [text for shape, text in shapes if shape.get("layer") != "below"]
    parts += [_tick_texts(axes), _titles(axes, left, height)]
    parts += [_note(note, axes) for note in layout.get("annotations") or ()]
    key, key_height = _key(traces, left, width, height)
    parts.append(key)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height + key_height:g}" '
        f'role="img" '
        f'aria-label="{escape(description)}" font-family="sans-serif" font-size="{FONT_PX:g}">'
        f"{''.join(parts)}</svg>"
    )


def _key(
    traces: list[Mapping[str, Any]], left: float, width: float, top: float
) -> tuple[str, float]:
    """Return what the named marks mean, which a pointer tells on a screen, and its height."""
    named = {
        str(trace["name"]): trace
        for trace in traces
        if trace.get("name")
        and trace.get("showlegend") is not False
        and "markers" in str(trace.get("mode"))
    }
    parts, x, row = [], left, 0
    for name, trace in named.items():
        needed = 22.0 + LETTER * SMALL_PX * len(name) + 2 * ROOM
        if x + needed > width and x > left:
            x, row = left, row + 1
        y = top + 4.0 + KEY_ROW * row
        parts.append(mark_svg(x + 6, y, trace["marker"]))
        parts.append(_text(x + 16, y + 4, unescape(name), "start", SMALL_PX, colors("light").muted))
        x += needed
    return "".join(parts), KEY_ROW * (row + 1) if named else 0.0


def plain_lines(text: str) -> list[str]:
    """Return the lines of a label, its characters as they are meant."""
    return [unescape(line) for line in _MARKUP.split(text)]


def _has_points(trace: Mapping[str, Any]) -> bool:
    return trace.get("x") is not None and any(x is not None for x in sequence(trace["x"]))


def _axis_settings(layout: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """Return the axes by the names that traces use: ``x``, ``y``, ``y2`` ..."""
    return {f"{key[0]}{key[5:]}": value for key, value in layout.items() if key[1:5] == "axis"}


def _values(traces: list[Mapping[str, Any]], layout: Mapping[str, Any], name: str) -> list[float]:
    """Return all values along an axis, those of lines across the plot too."""
    side = name[0]
    is_date = layout[f"{side}axis{name[1:]}"].get("type") == "date"
    values: list[float] = []
    for shape in layout.get("shapes") or ():
        if (shape.get(f"{side}ref") or side) == name:
            values += numbers([shape[f"{side}0"], shape[f"{side}1"]], is_date=is_date)
    for trace in traces:
        if (trace.get(f"{side}axis") or side) != name:
            continue
        values += numbers(trace[side], is_date=is_date)
    return values


def _margins(
    layout: Mapping[str, Any], traces: list[Mapping[str, Any]], width: float
) -> tuple[float, float, float, float]:
    """Return the room left, right, above and below the plot."""
    settings = _axis_settings(layout)
    longest = 0.0
    for name, axis in settings.items():
        if name.startswith("y") and axis.get("visible") is not False:
            ticks = axis_of(axis, _values(traces, layout, name), 300.0, 0.0).ticks()
            longest = max([longest, *(len(unescape(t.lines[0])) for t in ticks)])
    given = layout.get("margin") or {}
    titled = bool((settings["y"].get("title") or {}).get("text"))
    left = ROOM + LETTER * SMALL_PX * longest + (20.0 if titled else 4.0)
    return (
        min(left, 0.4 * width),
        max(float(given.get("r", 0)), 14.0),
        float(given.get("t", 12)),
        40.0,
    )


def _grid(axes: Mapping[str, Axis]) -> str:
    c, x, parts = colors("light"), axes["x"], []
    for name, axis in axes.items():
        if axis.settings.get("visible") is False:
            continue
        if name.startswith("y") and axis.settings.get("showgrid", True):
            parts += [
                f'<path d="M{number(x.start)} {number(axis.place(t.value))}H{number(x.end)}" '
                f'stroke="{c.grid}"/>'
                for t in axis.ticks()
            ]
    bottom, top = max(a.start for a in axes.values() if a is not x), axes["y"].end
    for tick in x.ticks():
        end = top if x.settings.get("showgrid") else bottom + 5
        parts.append(
            f'<path d="M{number(x.place(tick.value))} {number(bottom)}V{number(end)}" '
            f'stroke="{c.grid if x.settings.get("showgrid") else c.muted}"/>'
        )
    parts.append(
        f'<path d="M{number(x.start)} {number(bottom)}H{number(x.end)}" stroke="{c.muted}"/>'
    )
    return "".join(parts)


def _tick_texts(axes: Mapping[str, Axis]) -> str:
    c, x = colors("light"), axes["x"]
    bottom = max(a.start for a in axes.values() if a is not x)
    parts = [
        _text(x.place(tick.value), bottom + 18 + 14 * row, line, "middle", SMALL_PX, c.ink)
        for tick in x.ticks()
        for row, line in enumerate(tick.lines)
    ]
    parts += [
        _text(
            x.start - 6, axis.place(tick.value) + 4, unescape(tick.lines[0]), "end", SMALL_PX, c.ink
        )
        for name, axis in axes.items()
        if name.startswith("y")
        for tick in axis.ticks()
    ]
    return "".join(parts)


def _titles(axes: Mapping[str, Axis], left: float, height: float) -> str:
    c, parts = colors("light"), []
    words = str((axes["y"].settings.get("title") or {}).get("text") or "")
    if words:
        middle = (axes["y"].start + axes["y"].end) / 2
        parts.append(
            f'<text transform="translate(12 {number(middle)}) rotate(-90)" text-anchor="middle" '
            f'fill="{c.ink}">{escape(unescape(words))}</text>'
        )
    words = str((axes["x"].settings.get("title") or {}).get("text") or "")
    if words:
        middle = (axes["x"].start + axes["x"].end) / 2
        parts.append(_text(middle, height - 4, unescape(words), "middle", FONT_PX, c.ink))
    return "".join(parts)


def _text(x: float, y: float, words: str, anchor: str, size: float, color: str) -> str:
    return (
        f'<text x="{number(x)}" y="{number(y)}" text-anchor="{anchor}" font-size="{size:g}" '
        f'fill="{color}">{escape(words)}</text>'
    )


def _position(value: Any, reference: str | None, axes: Mapping[str, Axis], side: str) -> float:
    """Return where a coordinate of a shape or of words is drawn."""
    reference = reference or side
    if reference == "paper":
        whole = axes[side]
        if side == "y":  # all plots of the figure, one above the other
            start = max(axis.start for name, axis in axes.items() if name.startswith("y"))
            end = min(axis.end for name, axis in axes.items() if name.startswith("y"))
            return start + (end - start) * float(value)
        return whole.of_paper(float(value))
    name, _, domain = reference.partition(" ")
    axis = axes[name]
    if domain:
        return axis.of_paper(float(value))
    (found,) = numbers([value], is_date=axis.is_date)
    return axis.place(found)


def _shape(shape: Mapping[str, Any], axes: Mapping[str, Axis]) -> str:
    if shape["type"] not in KNOWN_SHAPES:
        raise ValueError(f"paper draws no {shape['type']}")
    (x0, x1), (y0, y1) = (
        tuple(_position(shape[f"{side}{end}"], shape.get(f"{side}ref"), axes, side) for end in "01")
        for side in "xy"
    )
    line = shape.get("line") or {}
    if shape["type"] == "line":
        return f'<path d="M{number(x0)} {number(y0)}L{number(x1)} {number(y1)}" {stroke(line)}/>'
    low, high = sorted((y0, y1))
    first, last = (min(max(v, axes["x"].start), axes["x"].end) for v in sorted((x0, x1)))
    edge = f" {stroke(line)}" if line.get("width") else ""
    return (
        f'<rect x="{number(first)}" y="{number(low)}" width="{number(last - first)}" '
        f'height="{number(high - low)}" fill="{shape["fillcolor"]}"{edge}/>'
    )


def _note(note: Mapping[str, Any], axes: Mapping[str, Axis]) -> str:
    """Return words at a place of the plot; those with a background get a pale edge instead."""
    if note.get("showarrow"):
        raise ValueError("paper draws no arrows")
    font = note.get("font") or {}
    size, lines = float(font.get("size", SMALL_PX)), plain_lines(str(note["text"]))
    x = _position(note["x"], note.get("xref"), axes, "x") + float(note.get("xshift", 0))
    y = _position(note["y"], note.get("yref"), axes, "y") - float(note.get("yshift", 0))
    anchor = {"left": "start", "right": "end"}.get(str(note.get("xanchor")), "middle")
    tall = size * 1.25 * len(lines)
    first = {"bottom": y - tall, "top": y}.get(str(note.get("yanchor")), y - tall / 2) + size
    halo = ' stroke="#fff" stroke-width="3" paint-order="stroke" stroke-linejoin="round"'
    spans = "".join(
        f'<tspan x="{number(x)}" y="{number(first + 1.25 * size * row)}">{escape(line)}</tspan>'
        for row, line in enumerate(lines)
    )
    return (
        f'<text text-anchor="{anchor}" font-size="{size:g}" fill="{font.get("color", "#1f2933")}"'
        f"{halo if note.get('bgcolor') else ''}>{spans}</text>"
    )
