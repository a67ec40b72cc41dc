"""`python -m tests.fuzz`: every reader of foreign bytes under changed, cut, spliced and random inputs.

No exception but the named one may leave a reader, none may hang, and memory stays bounded. Inputs
are drawn from a seed, so that a finding can be made again: `--target T --seed S --first N --inputs 1`.
With `--engine atheris` (pip install atheris) the inputs are led by coverage instead.
"""

import argparse
import contextlib
import faulthandler
import random
import resource
import sys
import time
from collections.abc import Callable

from tests.fuzz.targets import TARGETS, Target

MOST_GROWTH_MB = 128.0
"""Of the whole process over one target."""
HANG_S = 10.0
"""An input that takes so long is a hang."""
INTERESTING = (b"\x00", b"\xff", b"\x7f", b"\x80", b"\xff\xff\xff\xff", b"\x00\x00\x00\x80", b"[", b"]", b'"')


def mutated(chance: random.Random, seeds: list[bytes], limit: int) -> bytes:
    """A seed with one to eight things done to it; now and then random octets."""
    if chance.random() < 0.05:
        return chance.randbytes(chance.randint(0, min(limit, 64)))
    data = bytearray(chance.choice(seeds))
    for _ in range(chance.choice((1, 1, 1, 2, 2, 3, 5, 8))):
        how = chance.randrange(7)
        at = chance.randrange(len(data) + 1)
        if how == 0 and at < len(data):
            data[at] ^= 1 << chance.randrange(8)
        elif how == 1 and at < len(data):
            data[at] = chance.randrange(256)
        elif how == 2:
            del data[at:]
        elif how == 3:
            data[at:at] = chance.choice(INTERESTING) * chance.choice((1, 1, 2, 9))
        elif how == 4:
            del data[at : at + chance.randint(1, 8)]
        elif how == 5:
            other = chance.choice(seeds)
            begin = chance.randrange(len(other) + 1)
            data[at:at] = other[begin : begin + chance.randint(1, 64)]
        else:
            data[at:at] = data[at : at + chance.randint(1, 32)]
    return bytes(data[:limit])


def run(name: str, target: Target, inputs: int, seed: int, first: int) -> None:
    """Feed one target; raises what it raises, after saying how to make the input again."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    begin = time.monotonic()
    refused = 0
    slowest, slowest_at = 0.0, 0
    # One generator a thousand inputs: any input can be made again without those long before.
    for number in range(first, first + inputs):
        if number % 1000 == 0 or number == first:
            chance = random.Random(f"{name} {seed} {number // 1000}")
            for _ in range(number % 1000):
                mutated(chance, target.seeds, target.limit)
        data = mutated(chance, target.seeds, target.limit)
        start = time.perf_counter()
        faulthandler.dump_traceback_later(HANG_S, exit=True)
        try:
            target.read(data)
        except target.named:
            refused += 1
        except BaseException:
            print(f"{name}: input {number} of seed {seed}: {data[:200].hex()}", file=sys.stderr)
            raise
        taken = time.perf_counter() - start
        if taken > slowest:
            slowest, slowest_at = taken, number
    faulthandler.cancel_dump_traceback_later()
    seconds = time.monotonic() - begin
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0 - before
    print(
        f"{name:18} {inputs:9} inputs, {100.0 * refused / max(1, inputs):4.0f} % refused, "
        f"{inputs / seconds:8.0f} a second, slowest {1000.0 * slowest:6.1f} ms (input {slowest_at}), "
        f"memory +{grown:.0f} MB",
        flush=True,
    )
    if grown > MOST_GROWTH_MB:
        raise MemoryError(f"{name} took {grown:.0f} MB more")


def with_atheris(name: str, target: Target, inputs: int, seed: int) -> None:
    """The same, led by coverage; does not return."""
    import atheris

    def one(data: bytes) -> None:
        with contextlib.suppress(target.named):
            target.read(data[: target.limit])

    atheris.instrument_all()
    atheris.Setup([name, f"-runs={inputs}", f"-seed={seed + 1}", "-timeout=10", "-rss_limit_mb=2048"], one)
    atheris.Fuzz()


def main() -> int:
    """Run the targets; inputs are shared out by how quick a target is."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--target", choices=sorted(TARGETS), action="append", help="only this one")
    parser.add_argument("--inputs", type=int, default=100_000, help="in all (100000; a release: 10000000)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first input")
    parser.add_argument("--engine", choices=("own", "atheris"), default="own")
    args = parser.parse_args()
    makers: dict[str, Callable[[], Target]] = {name: TARGETS[name] for name in args.target or TARGETS}
    targets = {name: make() for name, make in makers.items()}
    shares = sum(target.share for target in targets.values())
    total = 0
    for name, target in targets.items():
        inputs = max(1, round(args.inputs * target.share / shares))
        if args.engine == "atheris":
            with_atheris(name, target, inputs, args.seed)
        run(name, target, inputs, args.seed, args.first)
        total += inputs
    print(f"{total} inputs, nothing but the named exceptions")
    return 0


if __name__ == "__main__":
    sys.exit(main())
