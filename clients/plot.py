"""The figure of a course in time: contacts, outputs, capacitors with their thresholds, every event marked.

The same answer gives the same bytes: no date, no random identifiers, and
letters drawn as outlines of the font that comes with the library.
"""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from clients.plot_layout import (
    Curve,
    Panel,
    Stay,
    Window,
    event_times,
    marks,
    panels,
    spread,
    stays,
    told_events,
    windows,
)
from clients.render_timeline import conditions, time, verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe and Ito, "Color universal design" (2008): told apart with any colour vision; from memory
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7")
INK, QUIET, FAINT = "#222222", "#555555", "#8a8a8a"
WIDTH = 8.0  # inches
HEIGHTS = {"positions": 0.36, "nets": 1.75, "capacitors": 1.75, "currents": 1.2}  # inches
GAP, TOP, AXIS = 0.16, 1.16, 0.62  # inches: between panels, above them, for the time axis
CAPTION = 0.22  # inches of the captions of two windows
STRIP = (0.06, 0.24)  # inches above the uppermost panel
SHADES = ("#ececec", "#d9e6ef")
SMALL = 7.5  # points
LETTER = 0.075  # inches of a small bold letter, about
LINE = 0.17  # inches of one line of the list of events
LEFT, RIGHT = 0.66, 0.72  # inches beside the panels; names of curves stand on the right
BETWEEN = 0.28  # inches between the windows
CLOSE_SHARE = 0.36  # of the width for the close view
MOST_EVENTS = 14  # told below the figure
STYLE: dict[Any, Any] = {
    "svg.hashsalt": "thumbrule",
    "svg.fonttype": "path",
    "text.parse_math": False,  # a name may hold a dollar sign
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "axes.linewidth": 0.7,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "path.simplify": False,
}
HALO = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
METADATA: Mapping[str, dict[str, Any]] = {
    ".svg": {"Date": None, "Creator": "thumbrule"},
    ".pdf": {"CreationDate": None, "Creator": "thumbrule", "Producer": None},
    ".png": {"Software": None},
}


def draw(answer: Mapping[str, Any], name: str, *, title: str | None = None, nets: Sequence[str] = ()) -> None:
    """Write the figure of a timeline answer to the file ``name`` (.svg, .pdf or .png).

    ``nets`` chooses what is drawn beside the capacitors; else it is the
    outputs.  Raises ``OSError`` when the file cannot be written.
    """
    import matplotlib as mpl

    with mpl.rc_context(STYLE):
        figure = _figure(answer, title, nets)
        ending = Path(name).suffix.lower()
        figure.savefig(name, format=ending[1:], dpi=150, metadata=METADATA[ending])


def _figure(answer: Mapping[str, Any], title: str | None, nets: Sequence[str]) -> Figure:
    from matplotlib.figure import Figure

    rows, columns = panels(answer, nets) or (Panel("nets", "voltage (V)", ()),), windows(answer)
    events = _event_lines(answer)
    strip = stays(answer)
    heights = [HEIGHTS[row.kind] * (len(row.curves) if row.kind == "positions" else 1) for row in rows]
    above = TOP + (CAPTION if len(columns) > 1 else 0.0)
    bottom = AXIS + LINE * len(events) + 0.1
    height = above + sum(heights) + GAP * max(0, len(rows) - 1) + bottom
    figure = Figure(figsize=(WIDTH, height))
    _heading(figure, answer, title, height)
    room = WIDTH - LEFT - RIGHT - BETWEEN * (len(columns) - 1)
    shares = [CLOSE_SHARE, 1 - CLOSE_SHARE] if len(columns) == 2 else [1.0]
    grid: list[list[Axes]] = []
    top = height - above
    for tall in heights:
        line: list[Axes] = []
        x = LEFT
        for share in shares:
            box = (x / WIDTH, (top - tall) / height, room * share / WIDTH, tall / height)
            line.append(figure.add_axes(box))
            x += room * share + BETWEEN
        grid.append(line)
        top -= tall + GAP
    for at, window in enumerate(columns):
        _states(grid[0][at], strip, window)
    for row, line in zip(rows, grid, strict=True):
        for at, (axes, window) in enumerate(zip(line, columns, strict=True)):
            _panel(axes, row, window, first=at == 0, last=at == len(columns) - 1)
    for at, window in enumerate(columns):
        column = [line[at] for line in grid]
        caption = "" if len(columns) == 1 else "whole course" if at else "close view"
        _time_axis(column, window, room * shares[at], answer, caption=caption)
    for k, texts in enumerate(events):
        y = (bottom - AXIS - LINE * (k + 0.4)) / height
        for text, x, side in zip(texts, (0.2, 0.85, 1.0), ("right", "right", "left"), strict=True):
            figure.text((LEFT + x) / WIDTH, y, text, fontsize=SMALL, va="center", ha=side)
    return figure


def _heading(figure: Figure, answer: Mapping[str, Any], title: str | None, height: float) -> None:
    name = str(answer.get("circuit", ""))
    text = textwrap.shorten(f"{name}: {title}" if title else name, 116, placeholder=" ...")
    size = 10.5 * min(1.0, 80 / max(1, len(text)))
    figure.text(LEFT / WIDTH, 1 - 0.2 / height, text, fontsize=size, weight="bold", va="center")
    for k, text in enumerate((conditions(answer), verdict(answer))):
        short = textwrap.shorten(text, 118, placeholder=" ...")
        y = 1 - (0.41 + 0.17 * k) / height
        figure.text(LEFT / WIDTH, y, short, fontsize=SMALL, va="center", color=QUIET)


def _event_lines(answer: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Number, time and sentence of each event."""
    events = told_events(answer)
    lines = []
    for number, event in enumerate(events[:MOST_EVENTS], start=1):
        what = str(event.get("what") or "").replace("->", "\N{RIGHTWARDS ARROW}")
        what = textwrap.shorten(what, 96, placeholder=" ...")
        lines.append((str(number), _time(event.get("at")), what))
    if len(events) > MOST_EVENTS:
        lines.append(("", "", f"and {len(events) - MOST_EVENTS} more"))
    return lines


def _time(value: float | None) -> str:
    return time(value).replace(" us", " µs")


def _panel(axes: Axes, panel: Panel, window: Window, *, first: bool, last: bool) -> None:
    axes.set_xlim(window.shown(window.start), window.shown(window.end))
    low, high = _limits(panel)
    axes.set_ylim(low, high)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=3, width=0.7, labelleft=first, labelbottom=False)
    if first and panel.label:
        axes.set_ylabel(panel.label)
        axes.yaxis.set_label_coords(-0.42 / axes.get_position().width / WIDTH, 0.5)
    for level in panel.levels:
        dashes = (0, (1, 2)) if level.aim else (0, (5, 2))
        axes.axhline(level.value, color=FAINT, linewidth=0.8, linestyle=dashes, zorder=1)
    for k, curve in enumerate(panel.curves):
        colour = INK if panel.kind == "positions" else COLOURS[k % len(COLOURS)]
        lift = 1.5 * (len(panel.curves) - 1 - k) if panel.kind == "positions" else 0.0
        values = np.array([np.nan if value is None else value + lift for value in curve.value])
        times = np.array([window.shown(at) for at in curve.at])
        axes.plot(times, values, color=colour, linewidth=1.4, solid_joinstyle="round", zorder=3)
    if panel.kind == "positions":
        axes.spines["bottom"].set_visible(False)
        axes.spines["left"].set_visible(False)
        axes.tick_params(left=False, labelsize=SMALL)
        count = len(panel.curves)
        axes.set_yticks([1.5 * (count - 1 - k) + level for k in range(count) for level in (0, 1)],
                        [word for pair in panel.ends for word in pair])
    if last:
        _names(axes, panel, window)
    if last and panel.levels:
        _level_labels(axes, panel, window)


def _states(top: Axes, strip: Sequence[Stay], window: Window) -> None:
    """A strip above the panels with the name of each state that has room for it."""
    from matplotlib.patches import Rectangle

    wide = top.get_position().width * WIDTH
    low, high = 1 + STRIP[0] / _tall(top), 1 + STRIP[1] / _tall(top)
    to_axes = top.get_xaxis_transform()
    for k, stay in enumerate(strip):
        start, end = max(stay.start, window.start), min(stay.end, window.end)
        if end <= start:
            continue
        left, right = window.shown(start), window.shown(end)
        box = Rectangle((left, low), right - left, high - low, transform=to_axes, clip_on=False,
                        facecolor=SHADES[k % 2], edgecolor="none", zorder=0.2)
        top.add_patch(box)
        room = (end - start) / (window.end - window.start) * wide
        if 0.066 * len(stay.name) + 0.06 < room:
            top.text((left + right) / 2, (low + high) / 2, stay.name, transform=to_axes, fontsize=SMALL,
                     ha="center", va="center", clip_on=False)


def _limits(panel: Panel) -> tuple[float, float]:
    if panel.kind == "positions":
        return -0.3, 1.5 * len(panel.curves) - 0.2
    values = [value for curve in panel.curves for value in curve.value if value is not None]
    values += [level.value for level in panel.levels]
    low, high = min(values, default=0.0), max(values, default=1.0)
    if 0 < low < 0.4 * high:
        low = 0.0  # a voltage axis that can show the ground should
    size = (high - low) or 1.0
    marks_low = any(level.value - low < 0.06 * size for level in panel.levels)
    marks_high = any(high - level.value < 0.06 * size for level in panel.levels)
    below = 0.16 if marks_low else 0.07 if low < 0 else 0.03  # a label may have to stand there
    return low - below * size, high + (0.16 if marks_high else 0.07) * size


def _names(axes: Axes, panel: Panel, window: Window) -> None:
    """The name of each curve at its right end, moved apart where they would overlap."""
    low, high = axes.get_ylim()
    apart = 0.15 / _tall(axes) * (high - low)
    places = []
    for k, curve in enumerate(panel.curves):
        lift = 1.5 * (len(panel.curves) - 1 - k) if panel.kind == "positions" else 0.0
        value = value_at(curve, window.end)
        places.append((low + high) / 2 if value is None else value + lift)
    if panel.kind == "positions":
        places = [1.5 * (len(panel.curves) - 1 - k) + 0.5 for k in range(len(panel.curves))]
    moved = spread(places, apart, low + apart / 2, high - apart / 2)
    for k, (curve, place) in enumerate(zip(panel.curves, moved, strict=True)):
        colour = INK if panel.kind == "positions" else COLOURS[k % len(COLOURS)]
        axes.annotate(curve.name, (1.0, place), xycoords=("axes fraction", "data"), xytext=(4, 0),
                      textcoords="offset points", color=colour, va="center", ha="left", weight="bold",
                      annotation_clip=False)


def value_at(curve: Curve, at: float) -> float | None:
    """The value of a polyline at a time; the later one at a jump, ``None`` in a gap."""
    found: float | None = None
    known = [(t, v) for t, v in zip(curve.at, curve.value, strict=True) if v is not None]
    for (t0, v0), (t1, v1) in itertools.pairwise(known):
        if t0 <= at <= t1:
            found = v1 if t1 == t0 else v0 + (v1 - v0) * (at - t0) / (t1 - t0)
    if found is None and known:
        found = known[-1][1] if at >= known[-1][0] else known[0][1]
    return found


def _level_labels(axes: Axes, panel: Panel, window: Window) -> None:
    """Each line's label where the curves leave most room for it."""
    low, high = axes.get_ylim()
    wide = axes.get_position().width * WIDTH
    text_high = 0.13 / _tall(axes) * (high - low)
    taken: list[tuple[float, float, float]] = []  # left, right (shares of the width), middle of labels placed
    for level in sorted(panel.levels, key=lambda level: (level.aim, level.value)):
        share = 0.068 * len(level.label) / wide
        best: tuple[float, float, float] | None = None
        for side in (1.0, -1.0):
            place = level.value + side * 0.62 * text_high
            if not low < place - text_high / 2 < place + text_high / 2 < high + 0.02 * (high - low):
                continue
            for left in np.linspace(0.01, max(0.01, 0.99 - share), 25):
                room = _clearance(panel, window, float(left), share, place, high - low)
                if any(a < left + share and left < b and abs(m - place) < text_high for a, b, m in taken):
                    room = -1.0
                score = min(room, 2.5 * text_high / (high - low)) - 0.002 * float(left) + 0.001 * side
                if best is None or score > best[0]:
                    best = (score, float(left), place)
        if best is None:
            continue
        _, left, place = best
        taken.append((left, left + share, place))
        axes.text(left, place, level.label, transform=axes.get_yaxis_transform(), fontsize=SMALL,
                  color=QUIET, va="center", ha="left", zorder=4, bbox=HALO)


def _clearance(panel: Panel, window: Window, left: float, share: float, place: float, tall: float) -> float:
    """How far the curves stay from a label, as a share of the height of the panel."""
    nearest = 1.0
    for at in np.linspace(left, left + share, 15):
        time_at = window.start + float(at) * (window.end - window.start)
        for curve in panel.curves:
            value = value_at(curve, time_at)
            if value is not None:
                nearest = min(nearest, abs(value - place) / tall)
    return nearest


def _time_axis(column: Sequence[Axes], window: Window, wide: float, answer: Mapping[str, Any], *,
               caption: str) -> None:
    """Ticks and their unit below the lowest panel, lines and numbers of the events through all."""
    from matplotlib.ticker import MaxNLocator

    lowest, top = column[-1], column[0]
    lowest.tick_params(labelbottom=True)
    since = f" since {_time(window.origin)}" if window.origin else ""
    lowest.set_xlabel(f"time{since} ({window.unit})")
    for axes in column:
        axes.xaxis.set_major_locator(MaxNLocator(max(2, int(wide / 0.65)), steps=[1, 2, 2.5, 5, 10]))
        if not axes.spines["bottom"].get_visible():
            axes.tick_params(bottom=False)
    times = [event.get("at") for event in told_events(answer)[:MOST_EVENTS]]
    for at in sorted(set(event_times(answer))):
        if window.holds(at):
            for axes in column:
                # through the gap to the next panel
                low = 0.0 if axes is lowest else -GAP / _tall(axes)
                line = axes.axvline(window.shown(at), ymin=low, color=FAINT, linewidth=0.6, zorder=0.5)
                line.set_clip_on(False)
    for mark in marks(times, window, wide, LETTER):
        top.annotate(mark.label, (window.shown(mark.at), 1.0), xycoords=("data", "axes fraction"),
                     xytext=(0, 20), textcoords="offset points", ha="center", va="bottom", fontsize=SMALL,
                     weight="bold", annotation_clip=False)
    if caption:
        top.annotate(caption, (0.0, 1.0), xycoords="axes fraction", xytext=(0, 35),
                     textcoords="offset points", fontsize=SMALL, color=QUIET, va="bottom",
                     annotation_clip=False)


def _tall(axes: Axes) -> float:
    """Height of a panel in inches."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    return float(axes.get_position().height * figure.get_size_inches()[1])
