"""Traces of a figure dictionary as SVG: lines, areas, marks, error bars."""

from collections.abc import Mapping, Sequence
from math import cos, pi, sin
from typing import Any

from arcdrift.figures.svg.svg_axes import Axis, numbers, sequence

DASHES = {"dash": "7 4", "dot": "2 3", "dashdot": "7 3 2 3", "longdash": "11 5"}
KNOWN_TRACE = {
    "type", "mode", "x", "y", "line", "marker", "fill", "fillcolor", "error_x", "xaxis", "yaxis",
    "name", "showlegend", "legendgroup", "hoverinfo", "hovertemplate", "customdata", "text",
}  # fmt: skip
"""Properties of a trace that paper draws, or that are only for a pointer or a legend."""


def number(value: float) -> str:
    """Return a coordinate, to a hundredth of a unit and never as a negative zero."""
    return f"{round(value, 2) + 0.0:g}" if abs(value) < 1e5 else f"{value:.2f}"


def _polygon(corners: int, turned: float) -> str:
    angles = [turned + 2 * pi * corner / corners for corner in range(corners)]
    return "M" + "L".join(f"{number(sin(a))} {number(-cos(a))}" for a in angles) + "Z"


def _star() -> str:
    points = [(1.0 if corner % 2 == 0 else 0.45, pi * corner / 5) for corner in range(10)]
    return "M" + "L".join(f"{number(r * sin(a))} {number(-r * cos(a))}" for r, a in points) + "Z"


SYMBOLS: dict[str, str] = {
    "circle": "M-1 0A1 1 0 1 1 1 0A1 1 0 1 1 -1 0Z",
    "square": "M-1 -1H1V1H-1Z",
    "diamond": "M0 -1.3L1.3 0L0 1.3L-1.3 0Z",
    "cross": "M-.35 -1H.35V-.35H1V.35H.35V1H-.35V.35H-1V-.35H-.35Z",
    "cross-thin": "M-1 0H1M0 -1V1",
    "x-thin": "M-.8 -.8L.8 .8M.8 -.8L-.8 .8",
    "triangle-up": _polygon(3, 0.0),
    "triangle-down": _polygon(3, pi),
    "triangle-right": _polygon(3, pi / 2),
    "hexagon": _polygon(6, 0.0),
    "pentagon": _polygon(5, 0.0),
    "star": _star(),
}
"""Outlines of marks of radius 1, by Plotly's names."""
STROKED = ("cross-thin", "x-thin")


def trace_svg(trace: Mapping[str, Any], x: Axis, y: Axis, before: str) -> tuple[str, str]:
    """Return a trace as SVG, and the line that the next trace may be filled to.

    Parameters
    ----------
    before : str
        Points of the line before it, from right to left.

    Raises
    ------
    ValueError
        For a trace that paper cannot draw.
    """
    unknown = set(trace) - KNOWN_TRACE
    if trace.get("type", "scatter") != "scatter" or unknown:
        raise ValueError(f"paper draws no {trace.get('type')} with {sorted(unknown)}")
    values = numbers(trace["x"], is_date=x.is_date), numbers(trace["y"], is_date=y.is_date)
    points = [(x.place(a), y.place(b)) for a, b in zip(*values, strict=True)]
    mode, parts = str(trace.get("mode") or "lines"), []
    fill = trace.get("fill")
    drawn = _runs(points)
    if fill in ("tonexty", "toself"):
        parts += [
            f'<path d="{_path(run)}{"L" + before if fill == "tonexty" and before else ""}Z" '
            f'fill="{trace["fillcolor"]}"/>'
            for run in drawn
        ]
    if "lines" in mode:
        parts += [_line(run, trace.get("line") or {}) for run in drawn if len(run) > 1]
    if trace.get("error_x"):
        parts += _error_bars(trace["error_x"], values, x, y)
    if "markers" in mode:
        parts += _marks(points, trace.get("marker") or {})
    backward = "L".join(f"{number(a)} {number(b)}" for run in drawn for a, b in run[::-1])
    return "".join(parts), backward


def _runs(points: Sequence[tuple[float, float]]) -> list[list[tuple[float, float]]]:
    """Return the points without missing ones, which break a line."""
    runs: list[list[tuple[float, float]]] = [[]]
    for a, b in points:
        if a == a and b == b:  # NaN is not itself
            runs[-1].append((a, b))
        elif runs[-1]:
            runs.append([])
    return [run for run in runs if run]


def _path(run: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{number(a)} {number(b)}" for a, b in run)


def stroke(style: Mapping[str, Any]) -> str:
    """Return the attributes of a line."""
    dash = DASHES.get(str(style.get("dash")), "")
    return f'stroke="{style.get("color")}" stroke-width="{float(style.get("width", 2)):g}"' + (
        f' stroke-dasharray="{dash}"' if dash else ""
    )


def _line(run: Sequence[tuple[float, float]], style: Mapping[str, Any]) -> str:
    if not float(style.get("width", 2)):
        return ""
    path = _path(run)
    if style.get("shape") == "hv":  # a value holds until the next one
        path = f"M{number(run[0][0])} {number(run[0][1])}" + "".join(
            f"H{number(a)}V{number(b)}" for a, b in run[1:]
        )
    elif style.get("shape") not in (None, "linear"):
        raise ValueError(f"paper draws no line of shape {style['shape']}")
    return f'<path d="{path}" fill="none" stroke-linejoin="round" {stroke(style)}/>'


def _error_bars(
    errors: Mapping[str, Any], values: tuple[list[float], list[float]], x: Axis, y: Axis
) -> list[str]:
    below, above = (numbers(errors[side], is_date=False) for side in ("arrayminus", "array"))
    ends = zip(*values, below, above, strict=True)
    style = stroke({"color": errors["color"], "width": errors.get("thickness", 2)})
    return [
        f'<path d="M{number(x.place(a - less))} {number(y.place(b))}H{number(x.place(a + more))}" '
        f"{style}/>"
        for a, b, less, more in ends
        if a + b + less + more == a + b + less + more
    ]


def _marks(points: Sequence[tuple[float, float]], marker: Mapping[str, Any]) -> list[str]:
    outline = marker.get("line") or {}
    of = {
        name: _each(marker.get(name), len(points), default)
        for name, default in (("symbol", "circle"), ("size", 7), ("color", "none"), ("opacity", 1))
    }
    return [
        _mark(a, b, str(symbol), float(size), str(color), float(opacity), outline)
        for (a, b), symbol, size, color, opacity in zip(
            points, of["symbol"], of["size"], of["color"], of["opacity"], strict=True
        )
        if a == a and b == b
    ]


def mark_svg(left: float, top: float, marker: Mapping[str, Any]) -> str:
    """Return one mark in the style of a trace's marks, of a size of its own."""
    style = {name: _each(marker.get(name), 1, "")[0] for name in ("symbol", "color")}
    return _mark(
        left, top, style["symbol"] or "circle", 10.0, style["color"], 1.0, marker.get("line") or {}
    )


def _mark(
    left: float, top: float, symbol: str, size: float, color: str, opacity: float,
    outline: Mapping[str, Any],
) -> str:  # fmt: skip
    name, is_open = symbol.removesuffix("-open"), symbol.endswith("-open")
    radius = size / 2.0
    edge, width = str(outline.get("color", color)), float(outline.get("width", 0.0))
    fill = color
    if is_open or name in STROKED:
        fill, edge, width = "none", edge if name in STROKED and not is_open else color, width or 2.0
    line = f' stroke="{edge}" stroke-width="{width / radius:.3g}"' if width else ""
    faint = f' opacity="{opacity:g}"' if opacity != 1 else ""
    return (
        f'<path d="{SYMBOLS[name]}" transform="translate({number(left)} {number(top)}) '
        f'scale({number(radius)})" fill="{fill}"{line}{faint}/>'
    )


def _each(value: Any, count: int, default: Any) -> list[Any]:
    """Return a property of marks for each of them."""
    if value is None:
        return [default] * count
    return [value] * count if isinstance(value, str | int | float) else list(sequence(value))
