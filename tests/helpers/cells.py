"""A session laid out by hand: what each instrument did in each second, without radio, journal or scene."""

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from capture.record import Act, Header, Write
from monitor.analysis.curve import COLUMNS, COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.setup.bench import parse_bench
from monitor.study.recording import Recording

Series = npt.NDArray[np.float64]
S = 1_000_000_000


def by_hand(
    bench_text: str,
    power_w: Mapping[str, Series],
    rpm: Mapping[str, Series],
    *,
    segments: Sequence[tuple[float, str]] = (),
    writes: Sequence[Write] = (),
    left_share: Mapping[str, float] = {},
) -> Recording:
    """A recording of these seconds; nan: not heard. `segments`: when each begins, and its name."""
    bench = parse_bench(bench_text, "the test's bench")
    seconds = len(next(iter([*power_w.values(), *rpm.values()])))
    cells = np.zeros((seconds, len(bench.instruments), COLUMNS))
    for i, instrument in enumerate(bench.instruments):
        if (power := power_w.get(instrument.label)) is not None:
            heard = np.isfinite(power)
            cells[heard, i, WORK], cells[heard, i, COVERED] = power[heard], 1.0
            if (share := left_share.get(instrument.label)) is not None:
                cells[heard, i, LEFT], cells[heard, i, SIDED] = share * power[heard], 1.0
        if (turns := rpm.get(instrument.label)) is not None:
            heard = np.isfinite(turns)
            cells[heard, i, REVS], cells[heard, i, TURNED] = turns[heard] / 60.0, 1.0
    acts = [Act(round(t_s * S), "segment", name) for t_s, name in segments]
    return Recording(
        Header(bench.text, "0.1.0", 0, ""), bench, None, cells, [], acts, [], list(writes),
        float(seconds), 0, 0, True, facts=[{} for _ in bench.instruments],
    )  # fmt: skip


def bench_of(*instruments: str, reference: str) -> str:
    """A bench in TOML; each instrument as `label role mount sides`."""
    text = f'[bench]\nname = "by hand"\nreference = "{reference}"\n'
    for each in instruments:
        label, role, mount, sides = each.split()
        text += f'[[instrument]]\nlabel = "{label}"\nrole = "{role}"\nmount = "{mount}"\nsides = "{sides}"\n'
        text += f'link = "scene:{label}"\nclaim_percent = 1.0\n'
    return text
