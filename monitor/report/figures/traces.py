"""Figures over time: deviation, power, sides, cadence."""

import numpy as np
from matplotlib.axes import Axes

from monitor.analysis.statistics import Floats
from monitor.report.figures.sheet import Sheet
from monitor.report.figures.wanted import Chosen, FigureError, Stretch, Wanted, limits
from monitor.report.material import Material
from monitor.report.series import deviations, smoothed
from monitor.study.answers.sentences import join_names
from monitor.text import clock, plain

SMOOTH_S = 10
MOST_ACTS = 4
NAME_ROOM = 0.011
"""What a letter of a segment's name takes of the width of a panel."""

NAMES_ROOM = 0.16
"""Of the height, above the lines."""

Line = tuple[str, Floats]


def deviation(given: Material, wanted: Wanted) -> Sheet:
    """Percent from the reference over time, with limits, segments and acts."""
    chosen = wanted.chosen(given.compared)
    labels = chosen.labels
    window_s = wanted.smooth_s or max(1, round(given.grid.bench.limits.window_s))
    found = [(label, deviations(given, label, window_s)["total"]) for label in labels]
    sheet = _over_time(
        given,
        wanted,
        chosen,
        f"{join_names(labels)} against {given.reference}: deviation",
        found,
        "deviation, %",
    )
    for axes in sheet.panels:
        sheet.band(axes, -given.limit(labels[0]), given.limit(labels[0]))
        for label in labels[1:]:
            for y in (-given.limit(label), given.limit(label)):
                axes.axhline(
                    y, color=sheet.colour(given.looks[label]), linewidth=sheet.points(1.5), dashes=(6, 4)
                )
        axes.axhline(0.0, color=sheet.ink("ink"), linewidth=sheet.points(1.6))
        _even(axes, [values for _, values in found], given.limit(labels[0]))
    sheet.notes.append(
        f"Mean over {window_s} s, after the expected drivetrain loss. Limits: {limits(given, labels)}"
        f"{' (band: ' + labels[0] + ')' if len(labels) > 1 else ' (band)'}."
    )
    return sheet


def power(given: Material, wanted: Wanted) -> Sheet:
    """Watts as each instrument shows them."""
    chosen = wanted.chosen(given.powered)
    labels = chosen.labels
    window_s = wanted.smooth_s or SMOOTH_S
    found = [(label, smoothed(given.grid.power_w[:, given.order[label]], window_s)) for label in labels]
    sheet = _over_time(given, wanted, chosen, f"{join_names(labels)}: power", found, "power, W")
    sheet.notes.append(f"As each instrument shows it, mean over {window_s} s.")
    return sheet


def cadence(given: Material, wanted: Wanted) -> Sheet:
    """Revolutions a minute as each instrument shows them."""
    rpm = given.grid.cadence_rpm
    among = [label for label in given.labels if np.isfinite(rpm[:, given.order[label]]).any()]
    chosen = wanted.chosen(among)
    labels = chosen.labels
    window_s = wanted.smooth_s or SMOOTH_S
    found = [(label, smoothed(rpm[:, given.order[label]], window_s)) for label in labels]
    sheet = _over_time(given, wanted, chosen, f"{join_names(labels)}: cadence", found, "cadence, rpm")
    sheet.notes.append(f"As each instrument shows it, mean over {window_s} s.")
    return sheet


def sides(given: Material, wanted: Wanted) -> Sheet:
    """Each side against the same side of another instrument, left above right."""
    grid = given.grid
    among = []
    for label in given.compared:
        pair = grid.compared(given.order[label])
        if any(
            (np.isfinite(own) & np.isfinite(theirs)).any()
            for own, theirs in ((pair.left_w, pair.left_reference_w), (pair.right_w, pair.right_reference_w))
        ):
            among.append(label)
    if not among:
        raise FigureError("no two instruments of this session report both sides.")
    chosen = wanted.chosen(among)
    labels = chosen.labels
    window_s = wanted.smooth_s or max(1, round(grid.bench.limits.window_s))
    windows = wanted.windows(given)
    against = [
        f"{label} against {grid.labels[grid.side_references[given.order[label]] or 0]}" for label in labels
    ]
    sheet = Sheet(
        given,
        wanted,
        chosen,
        f"{', '.join(against)}: deviation of each side",
        (2, len(windows)),
        share_x=len(windows) == 1,
    )
    drawn: list[Floats] = []
    for row, side in enumerate(("left", "right")):
        lines = [(label, deviations(given, label, window_s)[side]) for label in labels]
        drawn += [values for _, values in lines]
        for column, window in enumerate(windows):
            axes = sheet.panels[row * len(windows) + column]
            _panel(sheet, axes, window, lines, names=row == 0)
            sheet.axis_names(axes, "time in the session, min:s" if row else "", f"{side} side, %")
            axes.axhline(0.0, color=sheet.ink("ink"), linewidth=sheet.points(1.6))
            if wanted.stretches and row == 0:
                sheet.panel_title(axes, _title(window))
    for axes in sheet.panels:
        _even(axes, drawn, given.limit(labels[0]))
    _name_lines(sheet, labels)
    _acts(sheet, windows)
    sheet.notes.append(f"Mean over {window_s} s.")
    return sheet


def _over_time(
    given: Material, wanted: Wanted, chosen: Chosen, title: str, lines: list[Line], unit: str
) -> Sheet:
    windows = wanted.windows(given)
    sheet = Sheet(given, wanted, chosen, title, (1, len(windows)))
    for axes, window in zip(sheet.panels, windows, strict=True):
        _panel(sheet, axes, window, lines, names=True)
        sheet.axis_names(axes, "time in the session, min:s", unit if axes is sheet.panels[0] else "")
        if wanted.stretches:
            sheet.panel_title(axes, _title(window))
        low, high = axes.get_ylim()
        # Room for the names of the segments above the lines.
        axes.set_ylim(low, high + NAMES_ROOM * (high - low))
    _name_lines(sheet, [label for label, _ in lines])
    _acts(sheet, windows)
    return sheet


def _title(window: Stretch) -> str:
    """Name and times of a stretch; without a name its times alone."""
    times = f"{clock(window.from_s)} to {clock(window.to_s)}"
    return times if window.name in ("", times.replace(" to ", "-")) else f"{window.name}, {times}"


def _name_lines(sheet: Sheet, labels: list[str]) -> None:
    for label in labels:
        sheet.name(sheet.given.looks[label], label)


def _panel(sheet: Sheet, axes: Axes, window: Stretch, lines: list[Line], *, names: bool) -> None:
    """The lines of one window, widest first, over stripes for segments."""
    begin, end = int(window.from_s), max(int(window.from_s) + 1, round(window.to_s))
    axes.set_xlim(begin, end)
    _segments(sheet, axes, names)
    for label, values in lines:
        t = np.arange(begin, min(end, len(values)))
        axes.plot(t + 0.5, values[begin:end], **sheet.stroke(sheet.given.looks[label]), zorder=3)
    sheet.clock_axis(axes)


def _segments(sheet: Sheet, axes: Axes, names: bool) -> None:
    low, high = axes.get_xlim()
    ends = [-1.0, -1.0, -1.0]
    for k, s in enumerate(sheet.given.study.segments):
        if s.end_s <= low or s.start_s >= high:
            continue
        if k % 2 == 0:
            axes.axvspan(
                max(low, s.start_s), min(high, s.end_s), color=sheet.ink("soft"), alpha=0.1, linewidth=0
            )
        if not names:
            continue
        # On the first of three lines where there is room: no name over another.
        text, at = plain(s.name, 24), (max(low, s.start_s) - low) / (high - low)
        length = NAME_ROOM * len(text) * sheet.scale * 1920.0 / sheet.wanted.width * sheet.columns
        row = next((r for r in range(3) if ends[r] <= at), None)
        if row is None or at + length > 1.02:
            continue
        ends[row] = at + length
        line = 0.045 * sheet.rows * sheet.scale * 1080.0 / sheet.wanted.height
        own = {"transform": axes.transAxes, "va": "top", "color": sheet.ink("soft"), "zorder": 4}
        sheet.write(axes, at + 0.004, 0.985 - line * row, text, **own)


def _acts(sheet: Sheet, windows: list[Stretch]) -> None:
    """Dashed lines with numbers for what the tester did; which is which stands at the foot."""
    acts = [a for a in sheet.given.grid.recording.acts if a.act not in ("segment", "finish")]
    inside = [a for a in acts if any(w.from_s <= a.t_ns / 1e9 <= w.to_s for w in windows)]
    for axes in sheet.panels:
        low, high = axes.get_xlim()
        for n, act in enumerate(inside, 1):
            t_s = act.t_ns / 1e9
            if low <= t_s <= high:
                axes.axvline(
                    t_s, color=sheet.ink("soft"), linewidth=sheet.points(2.0), dashes=(3, 3), zorder=2
                )
                sheet.write(axes, t_s, 0.02, f" {n}", transform=axes.get_xaxis_transform(), weight="bold",
                            va="bottom", zorder=5)  # fmt: skip
    if inside:
        words = [
            f"{n} {plain(f'{a.instrument} {a.text or a.act}'.strip(), 48)} ({clock(a.t_ns / 1e9)})"
            for n, a in enumerate(inside[:MOST_ACTS], 1)
        ]
        more = f", and {len(inside) - MOST_ACTS} more" if len(inside) > MOST_ACTS else ""
        sheet.notes.append(f"Dashed: {'; '.join(words)}{more}.")


def _even(axes: Axes, lines: list[Floats], limit: float) -> None:
    """A range around nought in which one spike does not flatten the rest."""
    low, high = (int(x) for x in axes.get_xlim())
    sizes = np.abs(np.concatenate([values[low:high] for values in lines]))
    sizes = sizes[np.isfinite(sizes)]
    top = max(1.6 * limit, 1.25 * float(np.percentile(sizes, 99.0)) if len(sizes) else 0.0)
    before = axes.get_ylim()[1] if axes.get_ylim()[0] == -axes.get_ylim()[1] else 0.0
    axes.set_ylim(-max(top, before), max(top, before))
