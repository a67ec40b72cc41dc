"""Images of a disk that lost its power: no wrong row is ever read, and no reader dies."""

import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from capture.record import Record
from storage.damage import DamagedSession
from storage.journal import MAIN, SIDE, read_journal
from tests.helpers.sessions import EVERY_KIND, evening, write_journal

BOUNDED, LONG = 60, 1000
BATCHES = [EVERY_KIND[:-1], *evening(40, ended=False)]
TRUE = [record for batch in BATCHES for record in batch]
Files = tuple[bytes, bytes]


def zeros(chance: random.Random, main: bytes, side: bytes) -> Files:
    """The last blocks were never written: the file is as long as it should be, its tail is zero."""
    at = chance.randrange(len(main))
    at -= at % chance.choice((1, 512, 4096))
    cut = chance.randrange(len(side) + 1) if chance.random() < 0.5 else len(side)
    return main[:at] + bytes(len(main) - at), side[:cut] + bytes(len(side) - cut)


def garbage(chance: random.Random, main: bytes, side: bytes) -> Files:
    """The tail is what another file left in these blocks, in one of the two files or both."""
    at = chance.randrange(len(main))
    # Worst of all is an older piece of the very same journal.
    other = main[: len(main) - at] if chance.random() < 0.5 else chance.randbytes(len(main) - at)
    cut = chance.randrange(len(side) + 1) if chance.random() < 0.5 else len(side)
    return main[:at] + other, side[:cut] + chance.randbytes(len(side) - cut)


def flips(chance: random.Random, main: bytes, side: bytes) -> Files:
    """One to a hundred bits are wrong, anywhere."""
    both = bytearray(main + side)
    for _ in range(int(10 ** chance.uniform(0.0, 2.0))):
        both[chance.randrange(len(both))] ^= 1 << chance.randrange(8)
    return bytes(both[: len(main)]), bytes(both[len(main) :])


def lost_side(chance: random.Random, main: bytes, side: bytes) -> Files:
    """The side file is gone, empty or of another journal, and the main file may be cut and flipped too."""
    if chance.random() < 0.3:
        main = main[: chance.randrange(len(main))]
    if chance.random() < 0.5:
        main = flips(chance, main, b"")[0]
    return main, chance.choice((b"", side[16:], side[::-1], chance.randbytes(160)))


def images(
    how: Callable[[random.Random, bytes, bytes], Files], number: int, folder: Path
) -> Iterator[tuple[int, Path]]:
    write_journal(folder, BATCHES, close=False)
    main, side = (folder / MAIN).read_bytes(), (folder / SIDE).read_bytes()
    for seed in range(number):
        bad_main, bad_side = how(random.Random(f"{how.__name__} {seed}"), main, side)
        (folder / MAIN).write_bytes(bad_main)
        (folder / SIDE).write_bytes(bad_side)
        if not bad_side:
            (folder / SIDE).unlink()
        yield seed, folder


def assert_in_order(found: list[Record]) -> None:
    """Each is a true record, and they stand in the order in which they were written."""
    at = 0
    for record in found:
        while at < len(TRUE) and TRUE[at] != record:
            at += 1
        assert at < len(TRUE), f"a wrong row: {record}"
        at += 1


@pytest.mark.parametrize("how", [zeros, garbage, flips, lost_side], ids=lambda f: f.__name__)
def test_no_wrong_row_and_no_crash(
    how: Callable[[random.Random, bytes, bytes], Files], tmp_path: Path, long: bool
) -> None:
    read = kept = 0
    for seed, folder in images(how, LONG if long else BOUNDED, tmp_path):
        try:
            _, records = read_journal(folder)
            found = list(records)
        except DamagedSession:
            continue
        assert_in_order(found)
        read += 1
        kept += len(found)
        # The last flips may have hit nothing that counts: then all is there.
        assert records.damage is not None or found == TRUE, (how.__name__, seed)
    assert read > 0
    assert kept > 0
