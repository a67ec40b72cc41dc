"""Vectors over Bluetooth: asked for where they are offered, bounded in cost, and never the end of a link."""

import asyncio

import pytest
from bleak.exc import BleakGATTProtocolError

from capture.bluetooth import TIMING
from tests.helpers.fake_bluetooth import POWER, Peripheral, World
from tests.test_bluetooth_source import A, listening, wanted

VECTORS = {**POWER, "1818": {**POWER["1818"], "2A64": "notify"}}
VECTOR = bytes.fromhex("1b0a0000045a00400060002000")


async def test_vectors_are_asked_for_where_they_are_offered() -> None:
    crank = Peripheral(A, "Spider", VECTORS)
    crank.notify_on_subscribe["2A64"] = [VECTOR]
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.until(lambda: bool(seen.packets("crank", "2A64")), "a vector")
        crank.send("2A64", VECTOR[:-2], VECTOR)
        await asyncio.sleep(0)
    assert seen.packets("crank", "2A64") == [VECTOR, VECTOR[:-2], VECTOR]
    assert "2A64" not in crank.reads


@pytest.mark.parametrize("code", [0x80, 0x81, 0x0E, 0xFD])
async def test_a_sensor_that_refuses_vectors_keeps_its_link(code: int) -> None:
    # 0x80 at this characteristic: the connection is too slow for vectors (published headers of stacks).
    crank = Peripheral(A, "Spider", VECTORS)
    crank.notify_errors["2A64"] = BleakGATTProtocolError(code)
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.state("crank", "up")
        await seen.until(lambda: bool(seen.packets("crank", "2A19")), "battery")
        crank.send("2A63", b"\x00\x00\xc8\x00")
        await asyncio.sleep(0)
    assert seen.packets("crank", "2A63") == [b"\x00\x00\xc8\x00"]
    assert seen.links("crank").count("up") == 1
    assert "down" not in seen.links("crank")


async def test_a_flood_of_vectors_costs_no_more_than_its_bound() -> None:
    crank = Peripheral(A, "Spider", VECTORS)
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.until(lambda: bool(seen.packets("crank", "2A19")), "battery")
        crank.send("2A64", *[VECTOR] * 500)
        crank.send("2A63", *[b"\x00\x00\xc8\x00"] * 500)
        await asyncio.sleep(0)
        assert len(seen.packets("crank", "2A64")) == TIMING.vectors_per_s
        # Measurements are never left out.
        assert len(seen.packets("crank", "2A63")) == 500
        seen.clock.t_ns += 1_000_000_000
        crank.send("2A64", VECTOR)
        await asyncio.sleep(0)
    assert len(seen.packets("crank", "2A64")) == TIMING.vectors_per_s + 1
