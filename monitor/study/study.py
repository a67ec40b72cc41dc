"""A finished session judged segment by segment: the one place that computes what is told afterwards.

A segment is looked at once, so its interval is Student's over blocks of ten seconds of
the log ratio, with their noise weighed by its age over the whole session; the difference
itself is a ratio of work. What is told is in `monitor.study.results`, how each part is
found in `monitor.study.parts`.
"""

from collections.abc import Mapping, Sequence
from itertools import pairwise

import msgspec

from monitor.analysis.curve import WORK
from monitor.analysis.diagnose import Diagnosis
from monitor.study.answers.questions import open_questions
from monitor.study.answers.sentences import Sentences
from monitor.study.answers.serves import conclude
from monitor.study.answers.verdict import Judgement
from monitor.study.asked.cadence import advice_of, cadence_answer, cadence_of
from monitor.study.asked.peaks import same_peaks, sprint_statistics
from monitor.study.asked.target import targets_of
from monitor.study.asked.tasks import tasks_of
from monitor.study.grid import Bools
from monitor.study.parts.acts.judged import acts_judged
from monitor.study.parts.changes import drift_stands, shifts_of
from monitor.study.parts.common import Shared, shared_of
from monitor.study.parts.differences import segment_of
from monitor.study.parts.own_share import with_inference
from monitor.study.parts.peaks import PEAKS_S, best_mean, efficiency_of, peaks_of
from monitor.study.parts.repeats import cycles_of, repeats_of
from monitor.study.parts.rider import rider_changes
from monitor.study.parts.sides import both_sides_percent, by_side, diagnose_of
from monitor.study.parts.signals import noise_of, reported_facts, signal_of
from monitor.study.parts.splits import agreement_of, line_of, splits_of
from monitor.study.parts.states import Pair, found_mask, left_mask
from monitor.study.parts.stroke.session import strokes_of
from monitor.study.parts.who import Who, attributed, resolved, same_as, who, whose_of
from monitor.study.recording import Recording
from monitor.study.results import (
    Agreement,
    CadenceStudy,
    InstrumentStudy,
    ShiftStudy,
    ShownOverCounted,
    SideResult,
    State,
    Study,
    encode,
    known,
    rounded,
)
from monitor.text import clock

__all__ = ["encode", "study"]


def study(recording: Recording, shared: Shared | None = None) -> Study:
    """Study a session that was run through the pipeline.

    `shared`: its arrays (`shared_of(recording)`), if the caller goes on to make a report of them.
    """
    shared = shared or shared_of(recording)
    grid = shared.grid
    copies = same_as(shared)
    shifts = _changes(shared, copies)
    pairs = {i: Pair(shared, i, shifts, whose_of(shared, copies, shifts)) for i in shared.compared}
    states, common = _states(shared, pairs, copies, shifts)
    segments = [segment_of(shared, k, span) for k, span in enumerate(shared.spans)]
    cycles = cycles_of(shared, segments)
    repeats = repeats_of(shared, segments)
    splits = splits_of(shared, copies, shared.left)
    lines = [line for i in shared.compared if (line := line_of(shared, i)) is not None]
    apart = common[-1].found.apart if common else {}
    diagnoses = {
        i: diagnose_of(shared, i, segments, apart.get(grid.labels[i]) == "yes") for i in shared.compared
    }
    noise = noise_of(shared)
    cadence = cadence_of(shared)
    acts = acts_judged(list(pairs.values()))
    judgements = {
        label: Judgement(
            label, grid.instruments[i], grid.bench.reference, grid.reference_label(i), segments, cycles,
            repeats, splits, [s for s in shifts if s.instrument == label], recording.findings,
            signal_of(shared, i), diagnoses.get(i), recording.bench, i in grid.powered, by_side(shared, i),
            common[-1] if common else None, common[0] if common else None,
            grid.labels[copies[i]] if i in copies else None,
            states.get(i, []), [a for a in acts if a.instrument == label], _account(shared, i),
            _mount_of(shared, i), both_sides_percent(shared, i),
        )
        for i, label in enumerate(grid.labels)
    }  # fmt: skip
    open_ = open_questions(list(judgements.values()), lines)
    return Study(
        segments=segments,
        instruments={
            label: _with_cadence(
                _instrument(shared, i, judgements, diagnoses.get(i), noise), label, cadence, i in grid.powered
            )
            for i, label in enumerate(grid.labels)
        },
        shifts=shifts,
        cycles=cycles,
        repeats=repeats,
        splits=splits,
        agreement=_agreements(shared, shared.left),
        agreement_found=_agreements(shared, shared.first),
        splits_found=splits_of(shared, copies, shared.first),
        lines=lines,
        peaks=peaks_of(shared),
        efficiency=efficiency_of(shared, segments),
        open=open_,
        tasks=tasks_of(recording.findings, open_, segments, recording.bench.hand_back),
        bench=recording.bench.name,
        reference=recording.bench.reference,
        utc_ns=recording.header.utc_ns or None,
        seconds=rounded(recording.seconds, 3),
        records=recording.records,
        lost_records=recording.lost_records,
        whole=recording.closed,
        missing=recording.missing,
        late_stamps=recording.late_stamps,
        program=recording.header.program,
        acts_judged=acts,
        rider=rider_changes(shared, list(pairs.values()), segments, repeats, copies),
        strokes=strokes_of(shared, list(pairs.values()), copies),
        cadence=cadence,
        cadence_advice=advice_of(cadence),
        target=targets_of(shared),
        sprint_statistics=sprint_statistics(segments),
        highest=same_peaks(shared, 0, grid.seconds),
    )


def _changes(shared: Shared, copies: dict[int, int]) -> list[ShiftStudy]:
    """What changed and whose it was; leaves the cuts and the noise of each instrument in `shared`."""
    shifts = []
    for i in shared.compared:
        found = shifts_of(shared, i)
        _cut(shared, i, found)
        # What is slow noise and what is a drift is known once the noise is.
        shared.noise[i] = shared.noise_of(i)
        stands = [s for s in found if not s.drift or drift_stands(shared, i, s)]
        if len(stands) < len(found):
            _cut(shared, i, stands)
            shared.noise[i] = shared.noise_of(i)
        shifts += stands
        shared.usual[i] = shared.usual_of(i)
        for side in ("left", "right"):
            shared.side_noise[i, side] = shared.noise_of(i, side)
    return with_inference(shared, attributed(shared, copies, shifts))


def _states(
    shared: Shared, pairs: Mapping[int, Pair], copies: dict[int, int], shifts: Sequence[ShiftStudy]
) -> tuple[dict[int, list[State]], list[Who]]:
    """The states of each instrument, and who stands apart between any two boundaries; leaves both in
    `shared` as far as later parts of a study ask for them."""
    shared.between = {i: pair.spreads(pair.kept) for i, pair in pairs.items()}
    states = {i: pair.states() for i, pair in pairs.items()}
    for i, pair in pairs.items():
        shared.cuts[i] = [b.t_s for b in pair.kept]
        shared.left[i] = left_mask(pair, states[i])
        before = found_mask(pair, states[i])
        if before is not None:
            shared.first[i] = before
    edges = [0.0, *sorted({t for cuts in shared.cuts.values() for t in cuts}), float(shared.grid.seconds)]
    found = [w for a, b in pairwise(edges) if (w := who(shared, copies, a, b)) is not None]
    common = resolved(found, shifts)
    return {i: [_with_who(shared, i, s, common) for s in each] for i, each in states.items()}, common


def _cut(shared: Shared, i: int, shifts: Sequence[ShiftStudy]) -> None:
    """Keep where the blocks of an instrument are cut: at its changes and acts."""
    shared.cuts[i] = sorted({s.t_s for s in shifts} | set(shared.acts(i)))


def _with_who(shared: Shared, i: int, state: State, common: Sequence[Who]) -> State:
    """A state with who else stands apart in it: then what it differs by is that one's, cause and all."""
    reference = shared.grid.reference_label(i)
    if reference is None or state.verdict == "agrees":
        return state
    inside = [(min(w.to_s, state.to_s) - max(w.from_s, state.from_s), w) for w in common]
    longest, who = max(inside, key=lambda x: x[0], default=(0.0, None))
    if who is None or longest <= 0.0:
        return state
    apart = who.found.apart
    # A median of others is pulled by the one of them that stands apart.
    theirs = [reference] if reference in shared.grid.labels else list(apart)
    off = [label for label in theirs if apart.get(label) == "yes"]
    if not off or apart.get(shared.grid.labels[i]) != "no":
        return state
    return msgspec.structs.replace(state, apart=off[0], cause=None)


def _agreements(shared: Shared, state: Mapping[int, Bools]) -> list[Agreement]:
    return [a for i, mask in state.items() if (a := agreement_of(shared, i, mask)) is not None]


def _mount_of(shared: Shared, i: int) -> str:
    """The mount of what an instrument is compared with."""
    grid = shared.grid
    label = grid.reference_label(i)
    return grid.instruments[grid.labels.index(label)].mount if label in grid.labels else ""


def _account(shared: Shared, i: int) -> ShownOverCounted | None:
    account = shared.grid.accounts[i]
    if account is None:
        return None
    return ShownOverCounted(rounded(account.ratio, 4), rounded(account.u95, 4))


def _told_sides(judgement: Judgement) -> list[SideResult]:
    """The sides, of which none is called wrong while they are exchanged."""
    if not judgement.standing("sides-swapped"):
        return list(judgement.by_side)
    return [msgspec.structs.replace(r, verdict="undecided") for r in judgement.by_side]


def _with_cadence(
    found: InstrumentStudy, label: str, cadence: Sequence[CadenceStudy], powered: bool
) -> InstrumentStudy:
    """What measures no power is answered for its cadence."""
    if powered:
        return found
    answer = cadence_answer(label, cadence)
    return msgspec.structs.replace(
        found, verdict=answer.verdict, sentence=answer.sentence, serves_as_reference=answer.serves,
        why=answer.why, reasons=answer.reasons,
    )  # fmt: skip


def _instrument(
    shared: Shared,
    i: int,
    judgements: dict[str, Judgement],
    diagnosis: Diagnosis | None,
    noise: dict[int, tuple[float | None, float]],
) -> InstrumentStudy:
    grid, recording = shared.grid, shared.recording
    label, bench = grid.labels[i], grid.instruments[i]
    judgement = judgements[label]
    told = Sentences(judgement)
    lag = grid.lags.get(i)
    missed = judgement.signal.missed_packets
    lost_s = sum(b - a for a, b in judgement.signal.lost)
    loss: float | None = None
    if missed:
        loss = 100.0 * missed / (missed + judgement.signal.packets)
    elif grid.seconds:
        loss = 100.0 * lost_s / grid.seconds
    powered = i in grid.powered
    best = {s: best_mean(grid.sound_w[:, i], s) if powered else None for s in PEAKS_S}
    answer, why, reasons = conclude(judgement, judgements)
    facts = recording.facts[i] if i < len(recording.facts) else {}
    left = judgement.left_state
    gain, u_gain, offset, u_offset = (
        (left.gain, left.gain_u95, left.offset_nm, left.offset_u95_nm) if left is not None else (None,) * 4
    )
    own_noise = noise.get(i)
    return InstrumentStudy(
        gain=known(gain, 5),
        gain_u95=known(u_gain, 5),
        offset_nm=known(offset, 3),
        offset_u95_nm=known(u_offset, 3),
        cause=judgement.cause,
        lag_s=known(lag.lag_s, 2) if lag is not None else None,
        noise_w=known(own_noise[0], 2) if own_noise else None,
        lost_s=rounded(lost_s, 1),
        loss_percent=known(loss, 3),
        peaks_w={str(s): known(b[0], 1) if b else None for s, b in best.items()},
        serves_as_reference=answer,
        why=why,
        verdict=judgement.verdict,
        sentence=told.sentence(judgements),
        reasons=reasons,
        role=bench.role,
        mount=bench.mount,
        sides=bench.sides,
        claim_percent=bench.claim_percent,
        crank_length_mm=bench.crank_length_mm,
        notes=bench.notes,
        reported=reported_facts(facts),
        zeroed=[
            f"{clock(a.t_ns / 1e9)} {a.text}".rstrip()
            for a in shared.recording.acts
            if a.act == "zeroed" and a.instrument in ("", label)
        ],
        noise_high_w=known(own_noise[1], 2) if own_noise else None,
        lag_u95_s=known(lag.u95_s, 2) if lag is not None else None,
        lag_correlation=known(lag.correlation, 3) if lag is not None else None,
        work_kj=known(grid.shown_factor(i) * float(grid.cells[:, i, WORK].sum()) / 1000.0, 3)
        if powered
        else None,
        signal=judgement.signal,
        cause_text=told.cause_text,
        by_side=_told_sides(judgement),
        states=[
            msgspec.structs.replace(s, cause=judgement.cause)
            if s is left and s.verdict == "differs" and s.apart is None and judgement.cause is not None
            else s
            for s in judgement.states
        ],
        as_found=judgement.as_found,
        as_left=judgement.as_left,
        stands_apart=judgement.stands_apart,
        apart_odds=known(judgement.apart_odds, 3),
        same_as=judgement.copy_of,
        shown_over_counted=judgement.shown_over_counted,
    )
