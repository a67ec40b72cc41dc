"""Figures that are not over time: sprints, torque against torque, agreement, repeats."""

import math

import numpy as np
from matplotlib.axes import Axes

from monitor.analysis.statistics import Floats
from monitor.report.drawing.plots import segment_means, shortened
from monitor.report.figures.sheet import Sheet
from monitor.report.figures.wanted import MOST_PANELS, FigureError, Wanted, limits
from monitor.report.material import Material
from monitor.report.series import overlay, smoothed
from monitor.study.answers.sentences import join_names
from monitor.study.grid import Bools
from monitor.study.results import SegmentStudy
from monitor.text import PAGE, clock, plain

number, sure = PAGE.number, PAGE.sure
MOST_MARKS = 2000
OF_STATE = "Numbers are of the state as left; hollow marks lie before it."


def sprint(given: Material, wanted: Wanted) -> Sheet:
    """All instruments through each sprint, second by second, with the peaks."""
    chosen = wanted.chosen(given.powered)
    labels = chosen.labels
    found = [s for s in given.study.segments if s.sprint is not None and _inside(s, wanted)]
    if not found:
        raise FigureError(
            "this session has no sprint there. A protocol's sprints and strong surges count as such."
        )
    window_s = wanted.smooth_s or 1
    shown = found[:MOST_PANELS]
    columns = min(2, len(shown))
    sheet = Sheet(
        given, wanted, chosen, f"{join_names(labels)}: sprint", (-(-len(shown) // columns), columns)
    )
    for axes in sheet.panels[len(shown) :]:
        axes.set_visible(False)
    for axes, s in zip(sheet.panels, shown, strict=False):
        series = overlay(given, s.start_s, s.end_s)
        t = np.array(series["t"], dtype=np.float64) + 0.5
        tops = []
        for label in labels:
            values = smoothed(np.array(series[label], dtype=np.float64), window_s)
            axes.plot(t, values, **sheet.stroke(given.looks[label]), zorder=3)
            inside = (t >= 0.0) & (t <= s.end_s - s.start_s) & np.isfinite(values)
            if inside.any():
                k = int(np.argmax(np.where(inside, values, -np.inf)))
                axes.plot(
                    [t[k]], [values[k]], **sheet.mark(given.looks[label], 17.0), linestyle="none", zorder=4
                )
                tops.append(f"{label} {values[k]:.0f} W")
        axes.set_ylim(bottom=0.0)
        sheet.axis_names(axes, "time from its beginning, s", "power, W")
        sheet.panel_title(axes, f"{plain(s.name, 24)} at {clock(s.start_s)}")
        sheet.notes.append(f"{plain(s.name, 24)}, highest: {', '.join(tops)}.")
    for label in labels:
        sheet.name(given.looks[label], label, marker=True)
    left = f" {len(found) - len(shown)} more sprints are not drawn." if len(found) > len(shown) else ""
    sheet.notes.append(f"Mean over {window_s} s, each moved by its lag.{left}")
    return sheet


def torque(given: Material, wanted: Wanted) -> Sheet:
    """Own torque minus the reference's, against the reference's, with the fitted lines."""
    lines = {line.instrument: line for line in given.study.lines}
    chosen = wanted.chosen([label for label in given.compared if label in lines], MOST_PANELS)
    labels = chosen.labels
    sheet = Sheet(given, wanted, chosen, f"{join_names(labels)} against {given.reference}: torque")
    (axes,) = sheet.panels
    for label in labels:
        line, blocks, look = lines[label], given.blocks[label], given.looks[label]
        used = given.quiet(label) & np.isfinite(blocks.torque_nm) & _blocks_inside(blocks.begin_s, wanted)
        x = blocks.torque_nm[used]
        if not len(x):
            raise FigureError(f"{label} has no steady block there.")
        y = x * np.expm1(blocks.y[used])
        _cloud(sheet, axes, label, x, y, given.as_left(label)[used])
        ends = np.array([0.0, 1.1 * float(x.max())])
        axes.plot(ends, line.offset_nm + (line.gain - 1.0) * ends, **sheet.stroke(look), zorder=4)
        scale = f"scale {number(100.0 * (line.gain - 1.0), 2, True)} ± {number(100.0 * line.gain_u95, 2)} %"
        zero = f"zero {number(line.offset_nm, 2, True)} ± {number(line.offset_u95_nm, 2)} N·m"
        sheet.name(look, f"{label}: {scale}, {zero}", marker=True)
    alike = [label for label in labels if not lines[label].separable]
    if alike:
        sheet.notes.append(
            f"{join_names(alike)}: the torques ridden are too alike to separate scale and zero."
        )
    axes.axhline(0.0, color=sheet.ink("ink"), linewidth=sheet.points(1.6))
    axes.set_xlim(left=0.0)
    sheet.axis_names(axes, "torque of the reference, N·m", "own torque minus it, N·m")
    sheet.notes.append(
        f"Marks: blocks of ten seconds. {OF_STATE} A scale error tilts the line, a zero offset lifts it."
    )
    return sheet


def agreement(given: Material, wanted: Wanted) -> Sheet:
    """Bland and Altman's plot, a panel an instrument."""
    found = {a.instrument: a for a in given.study.agreement}
    chosen = wanted.chosen([label for label in given.compared if label in found], MOST_PANELS)
    labels = chosen.labels
    sheet = Sheet(
        given, wanted, chosen, f"{join_names(labels)} against {given.reference}: agreement", (1, len(labels))
    )
    for axes, label in zip(sheet.panels, labels, strict=True):
        own, blocks, look = found[label], given.blocks[label], given.looks[label]
        used: Bools = given.quiet(label) & _blocks_inside(blocks.begin_s, wanted)
        x: Floats = 0.5 * (blocks.own_w + blocks.reference_w)[used]
        y: Floats = 100.0 * np.expm1(blocks.y[used])
        sheet.band(axes, -given.limit(label), given.limit(label))
        _cloud(sheet, axes, label, x, y, given.as_left(label)[used])
        segments = np.unique(blocks.segment[used]).tolist()
        large = segment_means(given, label, segments)
        axes.plot(
            [x for _, x, _ in large],
            [y for *_, y in large],
            **sheet.mark(look, 20.0),
            linestyle="none",
            zorder=4,
        )
        axes.axhline(own.bias_percent, color=sheet.colour(look), linewidth=sheet.points(3.0))
        for edge in (own.lower_percent, own.upper_percent):
            axes.axhline(edge, color=sheet.ink("soft"), linewidth=sheet.points(2.0), dashes=(6, 4))
        sheet.axis_names(axes, "mean of both, W", "deviation, %" if axes is sheet.panels[0] else "")
        sheet.panel_title(axes, label)
        low, high = number(own.lower_percent, 2, True), number(own.upper_percent, 2, True)
        sheet.notes.append(
            f"{label}: bias {number(own.bias_percent, 2, True)} % (line), "
            f"limits of agreement {low} to {high} % (dashed)."
        )
        sheet.name(look, label, marker=True)
    sheet.notes.append(
        f"Small: blocks of ten seconds. {OF_STATE} Large: segments, with the deviation of the table. "
        f"Band: limit ({limits(given, labels)})."
    )
    return sheet


def _cloud(sheet: Sheet, axes: Axes, label: str, x: Floats, y: Floats, left: Bools) -> None:
    """Blocks: filled those of the state as left, hollow those before it."""
    look, step = sheet.given.looks[label], max(1, len(x) // MOST_MARKS)
    for of, hollow in ((left, False), (~left, True)):
        mark = sheet.mark(look, 12.0, hollow=hollow)
        axes.plot(x[of][::step], y[of][::step], **mark, linestyle="none", alpha=0.5, zorder=3)


def repeats(given: Material, wanted: Wanted) -> Sheet:
    """First and last of each repeated block beside each other, with intervals; a panel an instrument."""
    if wanted.stretches:
        raise FigureError("repeats are of the whole session. Leave --stretch out.")
    of = {r.instrument for r in given.study.repeats}
    if not of:
        raise FigureError("no block of this session was ridden twice alike.")
    chosen = wanted.chosen([label for label in given.compared if label in of], MOST_PANELS)
    labels = chosen.labels
    sheet = Sheet(
        given, wanted, chosen, f"{join_names(labels)} against {given.reference}: repeats", (1, len(labels))
    )
    for axes, label in zip(sheet.panels, labels, strict=True):
        look = given.looks[label]
        rows = [r for r in given.study.repeats if r.instrument == label]
        sheet.band(axes, -given.limit(label), given.limit(label))
        for at, r in enumerate(rows):
            x, y = [at - 0.14, at + 0.14], [r.first_percent, r.last_percent]
            axes.plot(x, y, **sheet.stroke(look), zorder=3)
            axes.plot(x, y, **sheet.mark(look, 19.0), linestyle="none", zorder=4)
            for px, py, u in zip(x, y, (r.first_u95_percent, r.last_u95_percent), strict=True):
                if u is not None and math.isfinite(u):
                    axes.plot(
                        [px, px], [py - u, py + u], color=sheet.colour(look), linewidth=sheet.points(3.0)
                    )
        axes.axhline(0.0, color=sheet.ink("ink"), linewidth=sheet.points(1.6))
        axes.set_xlim(-0.5, len(rows) - 0.5)
        most = max(6, 60 // len(rows) // len(labels))
        axes.set_xticks(range(len(rows)), [shortened(plain(r.name, 40), most) for r in rows])
        sheet.axis_names(
            axes, "left mark: first, right mark: last", "deviation, %" if axes is sheet.panels[0] else ""
        )
        sheet.panel_title(axes, label)
        sheet.name(look, label, marker=True)
    sheet.notes.append(f"With 95 % intervals. Band: limit ({limits(given, labels)}).")
    return sheet


def _inside(s: SegmentStudy, wanted: Wanted) -> bool:
    return not wanted.stretches or any(w.from_s < s.end_s and s.start_s < w.to_s for w in wanted.stretches)


def _blocks_inside(begin_s: np.ndarray, wanted: Wanted) -> Bools:
    """The blocks that lie in one of the stretches; all without any."""
    found: Bools = np.full(len(begin_s), not wanted.stretches)
    for w in wanted.stretches:
        found |= (begin_s >= w.from_s) & (begin_s + 10 <= w.to_s)
    return found
