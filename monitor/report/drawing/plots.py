"""The charts of the page, each from a study: a picture with caption, or None without data."""

import math
from html import escape
from typing import Any

import numpy as np

from monitor.report.drawing.colours import SESSIONS
from monitor.report.drawing.svg import (
    Markup,
    Plot,
    nice_ticks,
    padded,
    picture,
    swatch,
    tag,
    titled,
)
from monitor.report.material import Material
from monitor.report.series import overlay
from monitor.report.words import WORDS
from monitor.study.results import Difference, Part, SegmentStudy
from monitor.text import PAGE, clock, plain

number, sure = PAGE.number, PAGE.sure
MOST_MARKS = 600
"""More marks in one chart hide each other."""


def forest(given: Material, label: str) -> dict[str, Any] | None:
    """Deviation with interval, a row a segment, on the tolerance band."""
    found = given.differences(label)
    if not found:
        return None
    look = given.looks[label]
    rows: list[tuple[str, Difference, Difference | Part]] = []
    for name, d in found:
        rows.append((name, d, d))
        rows += [(f"· {clock(p.start_s)}–{clock(p.end_s)}", d, p) for p in d.parts]
    widest = max(d.limit_percent for _, d in found)
    ends = [r.deviation_percent + sign * (r.u95_percent or 0.0) for *_, r in rows for sign in (-1.0, 1.0)]
    low, high = padded([*ends, -1.2 * widest, 1.2 * widest], 2.0)
    low, high = max(low, -20.0 * widest), min(high, 20.0 * widest)
    n = len(rows)
    agree = sum(r.verdict == "agrees" for *_, r in rows)
    differ = sum(r.verdict == "differs" for *_, r in rows)
    plot = Plot(
        f"{label}: deviation by segment", f"{n} rows; {agree} agree, {differ} differ", (low, high),
        (-n + 0.5, 0.5), "deviation, %, with 95 % interval", "", 56.0 + 19.0 * n, 128.0, y_ticks=False,
    )  # fmt: skip
    for row, (name, d, r) in enumerate(rows):
        y = -float(row)
        plot.box(-d.limit_percent, d.limit_percent, y - 0.5, y + 0.5, "tolerance")
        x = min(max(r.deviation_percent, low), high)
        if r.u95_percent is not None:
            a, b = r.deviation_percent - r.u95_percent, r.deviation_percent + r.u95_percent
            plot.whisker((max(low, a), y), (min(high, b), y), look)
        note = f"{name}: {sure(r.deviation_percent, r.u95_percent)} %, {WORDS[r.verdict]}"
        plot.mark(x, y, look, 3.4, note, "faint" if r.u95_percent is None else "mark")
        plot.row_text(y, shortened(name, 19))
    plot.segment((0.0, 0.5), (0.0, -n + 0.5), "rule")
    caption = (
        f"{label} against {found[0][1].reference}, a row a segment. The band is the limit; an interval "
        "inside it agrees, one outside it differs. Pale marks have no interval."
    )
    if n > len(found):
        caption += " Rows with a dot are parts of the segment above them, between two changes."
    return chart(plot, caption)


def agreement(given: Material, label: str) -> dict[str, Any] | None:
    """Bland and Altman's plot: difference against mean, with limits."""
    found = next((a for a in given.study.agreement if a.instrument == label), None)
    blocks = given.blocks[label]
    if found is None or not len(blocks.y):
        return None
    k, look, quiet = given.order[label], given.looks[label], given.quiet(label)
    mean = 0.5 * (blocks.own_w + blocks.reference_w)[quiet]
    percent = 100.0 * np.expm1(blocks.y[quiet])
    large = segment_means(given, label, np.unique(blocks.segment[quiet]).tolist())
    low, high = number(found.lower_percent, 2, True), number(found.upper_percent, 2, True)
    bias = number(found.bias_percent, 2, True)
    plot = Plot(
        f"{label}: deviation against mean",
        f"bias {bias} percent, limits of agreement {low} to {high} percent",
        padded([*mean.tolist(), *(x for _, x, _ in large)], 40.0),
        padded([*percent.tolist(), *(y for *_, y in large), found.lower_percent, found.upper_percent], 2.0),
        "mean of both, W", "deviation, %",
    )  # fmt: skip
    limit = given.grid.limit_percent(k, float(mean.mean()))
    plot.band(-limit, limit)
    step = max(1, len(mean) // MOST_MARKS)
    left = given.as_left(label)[quiet][::step].tolist()
    for x, y, inside in zip(mean[::step].tolist(), percent[::step].tolist(), left, strict=True):
        plot.mark(x, y, look, 2.0, kind="faint" if inside else "hollow")
    for name, x, y in large:
        plot.mark(x, y, look, 4.5, f"{name}: {number(y, 2, True)} % at {x:.0f} W")
    plot.rule(found.bias_percent, f"bias {bias} %")
    plot.rule(found.lower_percent, f"{low} %", "limit")
    plot.rule(found.upper_percent, f"{high} %", "limit")
    caption = (
        f"{label} against {found.reference}, after the expected loss. Small and pale: {found.blocks} "
        "blocks of ten seconds. Large: the segments, with the deviation of the table. 95 % of such blocks "
        f"lie between the dashed limits (Bland and Altman). Band: limit.{_before(given, label)}"
    )
    return chart(plot, caption)


def _before(given: Material, label: str) -> str:
    """What hollow marks are, where there are any."""
    if bool((given.quiet(label) & ~given.as_left(label)).any()):
        return " Hollow: blocks before the state as left, which count for none of these numbers."
    return ""


def segment_means(given: Material, label: str, segments: list[int]) -> list[tuple[str, float, float]]:
    """Name, mean power of both (W) and deviation (%) of these segments, as the table has it."""
    pair = given.grid.compared(given.order[label])
    found = []
    for k in segments:
        s = given.study.segments[k]
        d = next((d for d in s.differences if d.instrument == label), None)
        if d is None:
            continue
        begin, end = given.grid.clip(given.shared.spans[k].window())
        own, theirs = pair.own_w[begin:end], pair.reference_w[begin:end]
        both = np.isfinite(own) & np.isfinite(theirs)
        found.append((plain(s.name, 60), float(0.5 * (own + theirs)[both].mean()), d.deviation_percent))
    return found


def torque_line(given: Material, label: str) -> dict[str, Any] | None:
    """Deviation of torque against torque with the fitted line."""
    line = next((x for x in given.study.lines if x.instrument == label), None)
    if line is None:
        return None
    look, blocks = given.looks[label], given.blocks[label]
    quiet = given.quiet(label) & np.isfinite(blocks.torque_nm)
    x = blocks.torque_nm[quiet]
    y = x * np.expm1(blocks.y[quiet])
    percent, zero = number(100.0 * (line.gain - 1.0), 2, True), number(line.offset_nm, 2, True)
    plot = Plot(
        f"{label}: torque against torque", f"scale {percent} percent, zero {zero} N·m",
        padded([*x.tolist(), 0.0], 10.0), padded([*y.tolist(), 0.0], 0.8),
        "torque of the reference, N·m", "own torque minus it, N·m",
    )  # fmt: skip
    step = max(1, len(x) // MOST_MARKS)
    left = given.as_left(label)[quiet][::step].tolist()
    for px, py, inside in zip(x[::step].tolist(), y[::step].tolist(), left, strict=True):
        plot.mark(px, py, look, 2.2, kind="faint" if inside else "hollow")
    plot.rule(0.0)
    plot.line([(e, line.offset_nm + (line.gain - 1.0) * e) for e in plot.x], look)
    scale = f"{percent} % ± {number(100.0 * line.gain_u95, 2)} %"
    zero = f"{zero} ± {number(line.offset_u95_nm, 2)} N·m"
    if line.separable:
        words = f"scale {scale}, zero {zero}"
    else:
        words = (
            f"the torques ridden are too alike to tell scale ({scale}) from zero ({zero}); at "
            f"{number(line.mean_nm, 0)} N·m the deviation is {number(line.at_mean_nm, 2, True)} N·m"
        )
    caption = (
        f"{label} against {line.reference}: {words}. A scale error makes the line steep and does not go "
        f"away with zeroing. A zero offset lifts it as a whole.{_before(given, label)}"
    )
    return chart(plot, caption)


def where(given: Material, by: str) -> dict[str, Any] | None:
    """Deviation against torque or cadence: bins with intervals, all instruments."""
    unit = {"torque": "N·m", "cadence": "rpm"}[by]
    groups: list[tuple[int, float, float, float | None, str]] = []
    cloud: list[tuple[int, float, float]] = []
    looks = [given.looks[label] for label in given.compared]
    for k, label in enumerate(given.compared):
        blocks = given.blocks[label]
        values = blocks.torque_nm if by == "torque" else blocks.cadence_rpm
        quiet = given.quiet(label) & given.as_left(label) & np.isfinite(values)
        step = max(1, int(quiet.sum()) // (MOST_MARKS // 2))
        for x, y in zip(values[quiet][::step].tolist(), blocks.y[quiet][::step].tolist(), strict=True):
            cloud.append((k, x, 100.0 * math.expm1(y)))
        for s in given.study.splits:
            if s.by != by or s.instrument != label:
                continue
            low = -math.inf if s.low is None else s.low
            high = math.inf if s.high is None else s.high
            with np.errstate(invalid="ignore"):
                inside = quiet & (values >= low) & (values < high)
            if inside.any():
                note = f"{label}, {s.group}: {sure(s.deviation_percent, s.u95_percent)} %"
                at = float(values[inside].mean())
                groups.append((k, at, s.deviation_percent, s.u95_percent, note))
    if not groups:
        return None
    ys = [y + sign * (u or 0.0) for _, _, y, u, _ in groups for sign in (-1.0, 1.0)]
    plot = Plot(
        f"Deviation against {by}", f"{len(groups)} groups of blocks",
        padded([x for _, x, _ in cloud] + [x for _, x, *_ in groups], 10.0),
        padded(ys + [y for *_, y in cloud], 3.0), f"{by}, {unit}", "deviation, %",
    )  # fmt: skip
    tightest = min(given.limit(label) for label in given.compared)
    plot.band(-tightest, tightest)
    for k, x, y in cloud:
        plot.mark(x, y, looks[k], 1.5, kind="faint")
    plot.rule(0.0)
    width = plot.x[1] - plot.x[0]
    for k, x, y, u, note in groups:
        # Side by side, so that no interval hides another.
        x += 0.014 * width * (k - 0.5 * (len(looks) - 1))
        if u is not None:
            plot.whisker((x, y - u), (x, y + u), looks[k])
        plot.mark(x, y, looks[k], 4.0, note)
    caption = "Groups of blocks with 95 % intervals; small and pale: single blocks. Band: the tightest limit."
    return chart(plot, caption, legend(given, given.compared))


def sprint(given: Material, s: SegmentStudy) -> dict[str, Any] | None:
    """All instruments through one sprint, second by second."""
    if s.sprint is None:
        return None
    series = overlay(given, s.start_s, s.end_s)
    values = [v for label in given.powered for v in series[label] if v == v]
    if not values:
        return None
    name = plain(s.name, 60)
    peaks = {label: s.sprint.peaks_w[label]["1"] for label in given.powered}
    words = ", ".join(f"{label} {number(w, 0)} W" for label, w in peaks.items())
    plot = Plot(
        f"{name} at one second", f"peaks: {words}", (float(series["t"][0]), float(series["t"][-1])),
        padded([*values, 0.0], 100.0), "time from its beginning, s", "power, W",
    )  # fmt: skip
    # The widest line lies below the others.
    for label in given.powered:
        look = given.looks[label]
        plot.line(list(zip(series["t"], series[label], strict=True)), look)
        top, at = peaks[label], s.sprint.peak_s[label]
        if top is not None and at is not None:
            plot.mark(at - s.start_s, top, look, 4.0, f"{label}: {number(top, 0)} W")
    caption = f"{name} at {clock(s.start_s)}. Highest second (marked): {words}."
    return chart(plot, caption, legend(given, given.powered))


def legend(given: Material, labels: list[str]) -> str:
    """Which line and marker is whose, as markup."""
    shown = [f'<span class="key">{swatch(given.looks[label])} {escape(label)}</span>' for label in labels]
    return Markup("".join(shown))


def repeats(given: Material, label: str) -> dict[str, Any] | None:
    """First and last of each repeated block beside each other."""
    found = [r for r in given.study.repeats if r.instrument == label]
    if not found:
        return None
    ends = [
        [
            (-0.12, r.first_percent, r.first_u95_percent, r.first),
            (0.12, r.last_percent, r.last_u95_percent, r.last),
        ]
        for r in found
    ]  # fmt: skip
    ys = [y + sign * (u or 0.0) for pair in ends for _, y, u, _ in pair for sign in (-1.0, 1.0)]
    limit, look = given.limit(label), given.looks[label]
    plot = Plot(
        f"{label}: the same block at first and at last", f"{len(found)} kinds of block",
        (-0.5, len(found) - 0.5), padded([*ys, -1.2 * limit, 1.2 * limit], 2.0),
        "left mark: first, right mark: last", "deviation, %", x_ticks=False,
    )  # fmt: skip
    plot.band(-limit, limit)
    plot.rule(0.0)
    for column, pair in enumerate(ends):
        plot.line([(column + by, y) for by, y, _, _ in pair], look)
        for by, y, u, name in pair:
            x = column + by
            if u is not None:
                plot.whisker((x, y - u), (x, y + u), look)
            plot.mark(x, y, look, 4.0, f"{plain(name, 60)}: {sure(y, u)} %")
        plot.column_text(column, shortened(plain(found[column].name, 60), 60 // len(found) + 4))
    caption = f"{label}: the first and the last block of each kind with 95 % intervals."
    return chart(plot, caption)


def against(given: Material) -> list[dict[str, Any]]:
    """A plot per instrument: segments as rows, sessions beside each other, with intervals."""
    comparison = given.comparison
    if comparison is None:
        return []
    charts = []
    for label in dict.fromkeys(row.instrument for row in comparison.rows):
        rows = [row for row in comparison.rows if row.instrument == label]
        found = [r for row in rows for r in row.results if r is not None]
        ends = [r.deviation_percent + sign * (r.u95_percent or 0.0) for r in found for sign in (-1.0, 1.0)]
        limit = given.limit(label)
        n, many = len(rows), len(comparison.sessions)
        height = max(19.0, 8.0 * many)
        plot = Plot(
            f"{label}: sessions side by side", f"{n} segments in {many} sessions",
            padded([*ends, -1.2 * limit, 1.2 * limit], 2.0), (-n + 0.5, 0.5),
            "deviation, %, with 95 % interval", "", 56.0 + height * n, 128.0, y_ticks=False,
        )  # fmt: skip
        plot.box(-limit, limit, -n + 0.5, 0.5, "tolerance")
        for at, row in enumerate(rows):
            plot.row_text(-float(at), shortened(plain(row.segment, 60), 19))
            for k, r in enumerate(row.results):
                if r is None:
                    continue
                look = SESSIONS[k % len(SESSIONS)]
                y = -at + 0.7 * (0.5 - (k + 0.5) / many)
                if r.u95_percent is not None:
                    low, high = r.deviation_percent - r.u95_percent, r.deviation_percent + r.u95_percent
                    plot.whisker((max(low, plot.x[0]), y), (min(high, plot.x[1]), y), look)
                note = f"{plain(r.session, 60)}: {sure(r.deviation_percent, r.u95_percent)} %"
                plot.mark(r.deviation_percent, y, look, 3.2, note)
        plot.segment((0.0, 0.5), (0.0, -n + 0.5), "rule")
        charts.append(chart(plot, f"{label}: each segment in each session. Band: limit."))
    return charts


def session_swatches(given: Material) -> list[str]:
    """The looks of the sessions that stand beside each other."""
    count = len(given.comparison.sessions) if given.comparison is not None else 0
    return [Markup(swatch(SESSIONS[k % len(SESSIONS)])) for k in range(count)]


def strip(given: Material) -> dict[str, Any] | None:
    """When each instrument was heard, on one time axis."""
    seconds = given.grid.seconds
    if not seconds:
        return None
    width, left, row = 840.0, 110.0, 22.0
    height = 34.0 + row * len(given.study.instruments)
    scale = (width - left - 30.0) / seconds
    parts = []
    lost = []
    for k, label in enumerate(given.labels):
        i, y = given.study.instruments[label], 6.0 + row * k
        parts.append(tag("text", label, class_="tick", text_anchor="end", x=left - 8, y=y + 12))
        parts.append(tag("rect", class_="heard", x=left, y=y + 5, width=seconds * scale, height=6))
        if i.lost_s > 0.0:
            lost.append(f"{label} {number(i.lost_s, 0)} s")
        kinds = (("lost", i.signal.lost, "not heard"), ("nothing", i.signal.no_power, "no power"))
        for name, spans, word in kinds:
            for a, b in spans:
                box = tag(
                    "rect",
                    class_=name,
                    x=left + a * scale,
                    y=y,
                    width=max(1.5, (b - a) * scale),
                    height=16,
                )
                parts.append(titled(box, f"{label} {word} {clock(a)} to {clock(b)}"))
    for m in nice_ticks(0.0, seconds / 60.0, 8):
        x = left + 60.0 * m * scale
        parts.append(tag("text", clock(60.0 * m), class_="tick", text_anchor="middle", x=x, y=height - 8))
    svg = picture(
        width, height, "When each instrument was heard", f"Not heard: {', '.join(lost) or 'none'}", parts
    )
    caption = "Dark: not heard while the others showed pedalling. Lighter: heard, but showed no power then."
    return {"svg": Markup(svg), "caption": caption}


def shortened(text: str, most: int) -> str:
    """A text of at most so many signs."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def chart(plot: Plot, caption: str, legend: str = "") -> dict[str, Any]:
    """What the template needs of a chart."""
    return {"svg": Markup(plot.svg()), "caption": caption, "legend": legend}
