"""The same tables as a tester would write them with pandas: decoded samples in, tables out.

Run as a program: `pandas_tables.py SESSION`. It reads samples.parquet and study.json (for the
segments' times only) and prints how long it took without its imports.
"""

import json
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

LOSS = {"hub": (2.6, 1.0)}


def tables(folder: Path) -> dict[str, pd.DataFrame]:
    """Means, differences with intervals, splits, highest means, per segment and instrument."""
    samples = pd.read_parquet(folder / "samples.parquet")
    segments = json.loads((folder / "study.json").read_text("utf-8"))["segments"]
    told = samples[samples["power_w"].notna()]
    grid = pd.DataFrame()
    for label, rows in told.groupby("instrument"):
        series = rows.set_index(pd.to_timedelta(rows["time_s"], unit="s"))
        series = series[~series.index.duplicated(keep="last")]
        one = series[["power_w", "left_share", "cadence_rpm"]].resample("1s").mean().ffill(limit=3)
        watts, percent = LOSS.get(str(label), (0.0, 0.0))
        grid[f"{label}.power"] = one["power_w"]
        grid[f"{label}.crank"] = (one["power_w"] + watts) / (1.0 - percent / 100.0)
        grid[f"{label}.left"] = one["left_share"] * one["power_w"]
        grid[f"{label}.cadence"] = one["cadence_rpm"]
    grid.index = grid.index.total_seconds()
    labels = [name.removesuffix(".crank") for name in grid.columns if name.endswith(".crank")]
    means, differences = [], []
    for segment in segments:
        part = grid.loc[segment["start_s"] + segment["settle_s"] : segment["end_s"]]
        for label in labels:
            means.append(
                {"segment": segment["name"], "instrument": label, **part.filter(like=label).mean().to_dict()}
            )
            if label == "hub" or part.empty:
                continue
            blocks = part.groupby(np.arange(len(part)) // 10)[[f"{label}.crank", "hub.crank"]].mean()
            y = (
                np.log(blocks[f"{label}.crank"] / blocks["hub.crank"])
                .replace([np.inf, -np.inf], np.nan)
                .dropna()
            )
            r = max(0.0, y.autocorr() if len(y) > 3 else 0.0)
            n = max(1.0, len(y) * (1.0 - r) / (1.0 + r))
            differences.append(
                {"segment": segment["name"], "instrument": label, "percent": 100.0 * np.expm1(y.mean()),
                 "u95": 196.0 * y.std() / np.sqrt(n)}
            )  # fmt: skip
    torque = grid["hub.crank"] / (2.0 * np.pi * grid.filter(like=".cadence").median(axis=1) / 60.0)
    splits = []
    for label in labels:
        ratio = 100.0 * (grid[f"{label}.crank"] / grid["hub.crank"] - 1.0)
        for by, values, bins in (
            ("torque", torque, [0, 12, 20, 28, 36, 48, 999]),
            ("cadence", grid.filter(like=".cadence").median(axis=1), [0, 65, 80, 95, 110, 999]),
        ):
            split = ratio.groupby(pd.cut(values, bins), observed=True).agg(["mean", "std", "count"])
            splits.append(split.assign(instrument=label, by=by))
    peaks = pd.DataFrame(
        {
            label: {
                s: grid[f"{label}.power"].rolling(s).mean().max() for s in (1, 3, 5, 15, 30, 60, 300, 1200)
            }
            for label in labels
        }
    )
    return {
        "means": pd.DataFrame(means),
        "differences": pd.DataFrame(differences),
        "splits": pd.concat(splits),
        "peaks": peaks,
    }


if __name__ == "__main__":
    begin = time.perf_counter()
    made = tables(Path(sys.argv[1]))
    print(json.dumps({"seconds": time.perf_counter() - begin, "rows": {k: len(v) for k, v in made.items()}}))
