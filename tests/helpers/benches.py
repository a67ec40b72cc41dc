"""Benches of a scene as TOML, put together from their tables."""

import json
from collections.abc import Mapping

LOSS = [2.6, 1.0]
"""Of a drivetrain: watts and percent."""


def table(head: str, values: Mapping[str, object]) -> str:
    """One table; strings, numbers, booleans and flat lists read alike in TOML and JSON."""
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in values.items()]
    return "\n".join([head, *lines, ""])


def head(name: str, reference: str) -> str:
    """The head of a bench."""
    return table("[bench]", {"name": name, "reference": reference})


def instrument(label: str, **values: object) -> str:
    """One instrument, sent by the scene."""
    return table("[[instrument]]", {"label": label, "link": f"scene:{label}", **values})


def pedals(role: str = "reference", **values: object) -> str:
    """Pedals with both sides, claimed to 1 %."""
    usual = {"role": role, "mount": "pedals", "sides": "both", "claim_percent": 1.0}
    return instrument("pedals", **usual | values)


def hub(role: str = "reference", **values: object) -> str:
    """A hub behind the usual drivetrain."""
    return instrument("hub", **{"role": role, "mount": "hub", "drivetrain_loss": LOSS} | values)


def steady(seconds: int, target_w: int, cadence_rpm: int, name: str = "", **values: object) -> str:
    """A steady block of the protocol."""
    held = {"name": name or f"steady {target_w}", "seconds": seconds, "target_w": target_w}
    return table("[[protocol.segment]]", held | {"cadence_rpm": cadence_rpm} | values)


def scene(seed: int, **values: object) -> str:
    """The head of the scene."""
    return table("[scene]", {"seed": seed, **values})


def sends(label: str, kind: str, radio: str, **values: object) -> str:
    """What one instrument of the scene is, and how it sends."""
    return table(f"[scene.instrument.{label}]", {"kind": kind, "radio": radio, **values})
