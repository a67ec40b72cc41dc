"""`python -m tests.benchmarks.readability [--all]`: sentences by place; 1 if one is too long."""

import sys

from tests.benchmarks.readability.count import MOST_MEDIAN, MOST_WORDS
from tests.benchmarks.readability.places import places


def main() -> int:
    """Print the table, and the sentences that are too long."""
    bad = 0
    print(f"{'PLACE':34}{'SENTENCES':>10}{'MEDIAN':>8}{'LONGEST':>9}")
    for found in places():
        longest = max((n for n, _ in found.counted), default=0)
        print(f"{found.place:34}{len(found.counted):10}{found.median:8.1f}{longest:9}")
        bad += len(found.long) + (found.median > MOST_MEDIAN)
        for n, text in sorted(found.counted, reverse=True) if "--all" in sys.argv else found.long:
            print(f"    {n:3} {text}")
    print(f"at most {MOST_WORDS} words in a sentence, {MOST_MEDIAN} in the middle one: {bad} too long")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
