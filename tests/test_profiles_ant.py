"""ANT+ pages against the vectors, the wire, and themselves.

The vectors (fixtures/vectors/radio-vectors.json) carry figures of openant 1.3.4 (MIT), of an
open C# ANT+ class library's unit tests (`cs-*`), and own arithmetic where no library decodes a
page; each vector names its source. Where openant differs, the vector's `disagreement` says
how, and `expected` holds the right figure: first page differenced against zero, period difference
not taken modulo 65536, invalid codes handed out as values, 0x1A read one octet off, signed
incline read unsigned, averages cut to whole watts.
"""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import MagicMock

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.profiles import ant_common, ant_power, ant_speed_cadence, ant_trainer
from capture.profiles.ant_common import Page
from capture.sample import DecodeError, Reading
from tests.helpers import ant_means

FILE = Path(__file__).parent.parent / "fixtures" / "vectors" / "radio-vectors.json"
VECTORS = {v["id"]: v for v in json.loads(FILE.read_text())["vectors"] if v["profile"].startswith("ANT+")}
WHEEL_M = 2.096  # circumference in the speed vectors


def payloads(vector: dict[str, Any]) -> list[bytes]:
    return [bytes.fromhex(p["hex"]) for p in vector["payloads"]]


def same(got: Any, expected: Any, where: str = "") -> None:
    """Equal, numbers to a relative 1e-12, with the path to what differs."""
    if isinstance(expected, dict):
        assert set(got) == set(expected), where
        for key in expected:
            same(got[key], expected[key], f"{where}.{key}")
    elif isinstance(expected, list):
        assert len(got) == len(expected), where
        for i, (a, b) in enumerate(zip(got, expected, strict=True)):
            same(a, b, f"{where}[{i}]")
    elif isinstance(expected, float):
        assert got == pytest.approx(expected, rel=1e-12), where
    else:
        assert got == expected, where


# What our pages say, in the words of the vectors. Each takes all payloads of a vector.


def power_only(data: list[bytes]) -> Any:
    frames, before = [], None
    for octets in data:
        page = ant_power.PowerOnly.from_bytes(octets)
        share = page.pedal_share
        right = share if page.is_right else None
        frames.append(
            {
                "event_count": page.event_count,
                "cadence": page.cadence_rpm,
                "accumulated_power": page.power_sum_w,
                "instantaneous_power": page.power_w,
                "balance": None
                if share is None
                else {"percent": round(share * 100), "side": "right" if page.is_right else "unknown"},
                "right_power": None if right is None or page.power_w is None else right * page.power_w,
                "new_event": None if before is None else page.event_count != before.event_count,
                "average_power": None if before is None else ant_means.mean_power_w(before, page),
            }
        )
        before = page
    return frames


def torque(kind: type[Page], between: Callable[..., ant_means.Mean | None], rate: str | None) -> Any:
    def run(data: list[bytes]) -> Any:
        frames: list[dict[str, Any]] = []
        before: Any = None
        for octets in data:
            page: Any = kind.from_bytes(octets)
            frame: dict[str, Any]
            frame = {
                "event_count": page.event_count,
                "ticks": page.ticks,
                "period": page.period_raw,
                "accumulated_torque_raw": page.torque_raw,
            }
            if hasattr(page, "cadence_rpm"):
                frame["cadence_inst"] = page.cadence_rpm
            if before is not None:
                frame |= {
                    "delta_events": (page.event_count - before.event_count) % 256,
                    "delta_ticks": (page.ticks - before.ticks) % 256,
                    "delta_period": (page.period_raw - before.period_raw) % 65536,
                    "delta_torque": (page.torque_raw - before.torque_raw) % 65536,
                }
                mean = between(before, page)
                if mean is not None:
                    frame |= {
                        "torque_Nm": mean.torque_nm,
                        "angular_velocity": mean.omega_rad_s,
                        "average_power": mean.power_w,
                    }
                    if mean.omega_rad_s == 0:
                        frame["stopped"] = True
                    frame[rate or "cadence_avg"] = mean.rpm
            frames.append(frame)
            before = page
        return frames

    return run


def torque_frequency(offset_hz: float) -> Any:
    def run(data: list[bytes]) -> Any:
        frames: list[dict[str, Any]] = []
        before: ant_power.CrankTorqueFrequency | None = None
        for octets in data:
            page = ant_power.CrankTorqueFrequency.from_bytes(octets)
            frame: dict[str, Any] = {
                "event_count": page.event_count,
                "slope_Nm_per_Hz_x10": page.slope_raw,
                "time_stamp": page.time_raw,
                "torque_ticks": page.torque_ticks,
            }
            mean = before and ant_means.mean_torque_frequency(before, page, offset_hz)
            if mean:
                frame |= {"cadence_rpm": mean.rpm, "torque_Nm": mean.torque_nm, "power_W": mean.power_w}
            frames.append(frame)
            before = page
        return {"offset_hz_from_calibration": offset_hz, "frames": frames}

    return run


def calibration(data: list[bytes]) -> Any:
    page = ant_power.Calibration.from_bytes(data[0])
    names = {
        "manual zero request": "manual_zero_request",
        "auto-zero support": "auto_zero_support",
        "crank torque frequency": "ctf_defined",
    }
    assert page.meaning is not None
    result: dict[str, Any] = {"id": names.get(page.meaning, page.meaning)}
    if page.zero_offset_raw is not None:
        assert page.auto_zero is not None
        result |= {"auto_zero": page.auto_zero.replace(" ", "_"), "calibration_data": page.zero_offset_raw}
    elif page.meaning == "auto-zero support":
        result |= {
            "auto_zero_enabled_capable": page.auto_zero != "not supported",
            "auto_zero_on": page.auto_zero == "on",
        }
    elif page.zero_offset_hz is not None:
        result |= {"ctf_id": "zero_offset", "offset_hz": page.zero_offset_hz}
    return result


def crank(full: bool) -> Any:
    def run(data: list[bytes]) -> Any:
        page = ant_power.CrankParameters.from_bytes(data[0])
        words = {"automatic": "auto_or_fixed"}
        return {"subpage": page.subpage, "crank_length_mm": page.crank_length_mm} | (
            {
                "crank_status": words.get(page.crank_status, page.crank_status),
                "mismatch": page.software_mismatch.replace("left sensor", "left_sensor").replace(" ", "_"),
                "availability": page.availability,
                "custom_cal": page.custom_calibration.replace(" ", "_"),
            }
            if full
            else {}
        )

    return run


def effectiveness(data: list[bytes]) -> Any:
    page = ant_power.TorqueEffectiveness.from_bytes(data[0])
    return {
        "event_count": page.event_count,
        "left_te": page.percent(page.left_effectiveness_raw),
        "right_te": page.percent(page.right_effectiveness_raw),
        "left_ps": page.percent(page.left_smoothness_raw),
        "right_ps": page.percent(page.right_smoothness_raw),
        "combined_ps": page.is_combined,
    }


def measurement(data: list[bytes]) -> Any:
    page = ant_power.MeasurementOutput.from_bytes(data[0])
    return {
        "count": page.count,
        "type": page.kind,
        "scale": page.exponent,
        "time_s": page.time_s,
        "value": page.value,
    }


def dynamics(data: list[bytes]) -> Any:
    if data[0][0] == 0xE2:
        where = ant_power.PedalPosition.from_bytes(data[0])
        return {
            "event_count": where.event_count,
            "position": where.position,
            "cadence": where.cadence_rpm,
            "right_pco_mm": where.right_offset_mm,
            "left_pco_mm": where.left_offset_mm,
        }
    page: ant_power.RightForceAngle | ant_power.LeftForceAngle
    page = (ant_power.RightForceAngle if data[0][0] == 0xE0 else ant_power.LeftForceAngle).from_bytes(data[0])
    start, end = page.phase_deg or (None, None)
    peak_start, peak_end = page.peak_deg or (None, None)
    return {
        "event_count": page.event_count,
        "start_deg": start,
        "end_deg": end,
        "start_peak_deg": peak_start,
        "end_peak_deg": peak_end,
        "avg_torque_Nm": page.torque_nm,
    }


def trainer(data: list[bytes]) -> Any:
    frames: list[dict[str, Any]] = []
    before = None
    for octets in data:
        page = ant_trainer.TrainerData.from_bytes(octets)
        limits = page.target_limits
        frames.append(
            {
                "event_count": page.event_count,
                "cadence": page.cadence_rpm,
                "accumulated_power": page.power_sum_w,
                "instantaneous_power": page.power_w,
                "power_cal_required": "power calibration" in page.needs,
                "resistance_cal_required": "resistance calibration" in page.needs,
                "user_config_required": "user configuration" in page.needs,
                "target_power_limits": None if limits is None else ant_trainer._LIMITS.index(limits),
                "fe_state": {"asleep": 1, "ready": 2, "in use": 3, "finished": 4}[str(page.state)],
                "lap": page.lap,
                "average_power": None if before is None else ant_means.mean_trainer_power_w(before, page),
            }
        )
        before = page
    return frames


def general(data: list[bytes]) -> Any:
    pages = [ant_trainer.General.from_bytes(octets) for octets in data]
    return [
        {
            "type": page.equipment_raw,
            "elapsed_s": page.elapsed_s,
            "distance_m": page.distance_m,
            "speed_ms": page.speed_mps,
            "heart_rate": page.heart_rate_bpm,
            "capabilities": page.capabilities_and_state & 0x0F,
            "state": {"in use": "InUse", "ready": "Ready"}[str(page.state)],
        }
        for page in pages
    ]


def settings(data: list[bytes]) -> Any:
    pages = [ant_trainer.Settings.from_bytes(octets) for octets in data]
    return [{"resistance": page.resistance_percent, "incline": page.incline_percent} for page in pages]


def track(data: list[bytes]) -> Any:
    page = ant_trainer.TrackResistance.from_bytes(data[0])
    return {
        "grade_percent": page.grade_percent,
        "crr": page.rolling_coefficient,
        "raw_grade": page.grade_raw,
        "raw_crr": page.rolling_raw,
    }


def capabilities(data: list[bytes]) -> Any:
    page = ant_trainer.Capabilities.from_bytes(data[0])
    modes = page.mode_names
    return {
        "max_resistance_N": page.max_resistance_n,
        "basic_resistance": "basic resistance" in modes,
        "target_power": "target power" in modes,
        "simulation": "simulation" in modes,
    }


def user(data: list[bytes]) -> Any:
    page = ant_trainer.UserConfiguration.from_bytes(data[0])
    return {
        "user_kg": page.rider_kg,
        "wheel_offset_mm": page.wheel_offset_mm,
        "bike_kg": page.bike_kg,
        "wheel_dia_m": page.diameter_raw / 100,
        "gear_ratio": page.gear_ratio,
    }


def single(kind: str) -> Any:
    def run(data: list[bytes]) -> Any:
        frames, before = [], None
        for octets in data:
            page = ant_speed_cadence.RevolutionPage.from_bytes(octets)
            rpm = (
                None
                if before is None
                else ant_means.mean_rpm(
                    (page.revs - before.revs) % 65536, (page.time_raw - before.time_raw) % 65536
                )
            )
            rate = rpm if rpm is None or kind == "cadence" else rpm / 60 * WHEEL_M * 3.6
            frames.append(
                {
                    f"{kind}_event_time": page.time_raw / 1024,
                    f"{kind}_revs": page.revs,
                    f"{kind}_rate": rate,
                    "page": page.number,
                    "toggle": int(page.toggle),
                }
            )
            before = page
        return frames

    return run


def combined(data: list[bytes]) -> Any:
    frames, before = [], None
    for octets in data:
        page = ant_speed_cadence.SpeedCadencePage.from_bytes(octets)
        cadence = speed = None
        if before is not None:
            cadence = ant_means.mean_rpm(
                (page.cadence_revs - before.cadence_revs) % 65536,
                (page.cadence_time_raw - before.cadence_time_raw) % 65536,
            )
            wheel = ant_means.mean_rpm(
                (page.speed_revs - before.speed_revs) % 65536,
                (page.speed_time_raw - before.speed_time_raw) % 65536,
            )
            speed = None if wheel is None else wheel / 60 * WHEEL_M * 3.6
        frames.append(
            {
                "cadence_event_time": page.cadence_time_raw / 1024,
                "cadence_revs": page.cadence_revs,
                "cadence_rate": cadence,
                "speed_event_time": page.speed_time_raw / 1024,
                "speed_revs": page.speed_revs,
                "speed_rate": speed,
            }
        )
        before = page
    return frames


def common(data: list[bytes]) -> Any:
    frames: list[dict[str, Any]] = []
    for octets in data:
        if octets[0] == 0x50:
            maker = ant_common.Manufacturer.from_bytes(octets)
            frames.append(
                {
                    "hw": maker.hardware_revision,
                    "manufacturer_id": maker.manufacturer_id,
                    "model": maker.model_number,
                }
            )
        elif octets[0] == 0x51:
            product = ant_common.Product.from_bytes(octets)
            frames.append({"sw": product.software, "serial": product.serial})
        else:
            battery = ant_common.Battery.from_bytes(octets)
            frames.append(
                {
                    "op_time": battery.operating_s,
                    "volt": battery.voltage_v,
                    "status": str(battery.status).capitalize(),
                    "battery_id": battery.index,
                    "battery_count": battery.count,
                }
            )
    return frames


def sent(page: Page) -> Any:
    """A page that we send: its octets are those that the vector says."""
    return lambda data: {"hex": bytes(page).hex()}


CHECKS: dict[str, Callable[[list[bytes]], Any]] = {
    **{f"p10-0{n}": power_only for n in range(1, 9)},
    **{f"p12-0{n}": torque(ant_power.CrankTorque, ant_means.mean_torque, None) for n in range(1, 6)},
    "p11-01": torque(ant_power.WheelTorque, ant_means.mean_torque, "wheel_rpm"),
    "fe1a-01": torque(ant_trainer.TrainerTorque, ant_means.mean_torque, "wheel_rpm"),
    "p20-01": torque_frequency(500),
    "p20-02": torque_frequency(480),
    **{f"p01-0{n}": calibration for n in range(1, 7)},
    "p02-01": crank(True),
    "p02-02": crank(False),
    "p02-03": crank(False),
    "p13-01": effectiveness,
    "p03-01": measurement,
    "pE-01": dynamics,
    "pE-02": dynamics,
    "pE-03": dynamics,
    **{f"fe19-0{n}": trainer for n in range(1, 7)},
    "fe10-01": general,
    "fe11-01": settings,
    "fe33-01": track,
    "fe36-01": capabilities,
    "fe37-01": user,
    "fe31-01": sent(ant_trainer.TargetPower.of(250)),
    "fe30-01": sent(ant_trainer.BasicResistance.of(37.5)),
    "com46-01": sent(ant_common.RequestPage(page=0x52)),
    **{f"sc-0{n}": single("cadence") for n in range(1, 5)},
    "sc-05": single("speed"),
    "sc-06": single("speed"),
    "sc-07": combined,
    "sc-08": combined,
    **{f"com-0{n}": common for n in range(1, 5)},
}


@pytest.mark.parametrize("name", CHECKS)
def test_vector(name: str) -> None:
    vector = VECTORS[name]
    same(CHECKS[name](payloads(vector)), vector["expected"], name)


def test_no_vector_is_left_out() -> None:
    assert set(VECTORS) == set(CHECKS) | set(SECOND_LIBRARY)


def second_torque(data: list[bytes]) -> Any:
    mean = ant_means.mean_torque(*map(ant_power.CrankTorque.from_bytes, data))
    assert mean is not None
    return {"cadence": mean.rpm, "torque": mean.torque_nm, "power": mean.power_w}


def second_trainer_torque(data: list[bytes]) -> Any:
    # That test begins from a page of nothing but zeros.
    mean = ant_means.mean_torque(ant_trainer.TrainerTorque(), ant_trainer.TrainerTorque.from_bytes(data[1]))
    assert mean is not None
    return {"angular_velocity": mean.omega_rad_s, "torque": mean.torque_nm, "power": mean.power_w}


def second_frequency(data: list[bytes]) -> Any:
    before, after = map(ant_power.CrankTorqueFrequency.from_bytes, data)
    mean = ant_means.mean_torque_frequency(before, after, 0)
    assert mean is not None
    return {"cadence": mean.rpm, "torque": mean.torque_nm, "power": mean.power_w}


def second_combined(data: list[bytes]) -> Any:
    frame = combined(data)[1]
    return {"cadence": frame["cadence_rate"], "speed_ms_2.2m": frame["speed_rate"] / 3.6 / WHEEL_M * 2.2}


def second_product(data: list[bytes]) -> Any:
    page = ant_common.Product.from_bytes(data[0])
    return {"sw": page.software, "serial": page.serial}


def second_data(data: list[bytes]) -> Any:
    page = ant_trainer.TrainerData.from_bytes(data[0])
    return {"cadence": page.cadence_rpm, "instantaneous_power": page.power_w}


# Figures from the unit tests of the C# library, rounded there: the digits that it states must agree.
SECOND_LIBRARY: dict[str, Callable[[list[bytes]], Any]] = {
    "cs-01": second_frequency,
    "cs-02": lambda data: {"offset_hz": ant_power.Calibration.from_bytes(data[0]).zero_offset_hz},
    "cs-03": calibration,
    "cs-04": calibration,
    "cs-05": calibration,
    "cs-06": second_torque,
    "cs-07": second_trainer_torque,
    "cs-08": lambda data: {
        "average_power": ant_means.mean_trainer_power_w(*map(ant_trainer.TrainerData.from_bytes, data))
    },
    "cs-09": second_data,
    **{
        f"cs-{n}": lambda data: {"crank_length_mm": crank(False)(data)["crank_length_mm"]}
        for n in (10, 11, 12, 13)
    },
    "cs-14": second_combined,
    "cs-15": second_product,
    "cs-16": second_product,
}


@pytest.mark.parametrize("name", SECOND_LIBRARY)
def test_second_library(name: str) -> None:
    expected, got = VECTORS[name]["expected"], SECOND_LIBRARY[name](payloads(VECTORS[name]))
    assert set(got) == set(expected)
    for key, value in expected.items():
        if isinstance(value, int | float):
            decimals = len(str(value).partition(".")[2])
            tolerance = 0.5 * 10.0**-decimals if isinstance(value, float) else 0.5
            assert got[key] == pytest.approx(value, abs=tolerance), key
        else:
            assert got[key] == value, key


# Both ways.

PAGES = [
    *ant_common.PAGES.values(),
    *ant_power.PAGES.values(),
    *ant_trainer.PAGES.values(),
    ant_power.CrankParameters,
    ant_power.PowerPhaseSettings,
]


@pytest.mark.parametrize("kind", PAGES, ids=lambda kind: f"{kind.__module__[-7:]}.{kind.__name__}")
@given(rest=st.binary(min_size=7, max_size=7))
def test_page_comes_back_octet_for_octet(kind: type[Page], rest: bytes) -> None:
    octets = bytes((kind.NUMBER,)) + rest
    assert bytes(kind.from_bytes(octets)) == octets


@given(octets=st.binary(min_size=8, max_size=8))
def test_speed_and_cadence_come_back_octet_for_octet(octets: bytes) -> None:
    assert bytes(ant_speed_cadence.SpeedCadencePage.from_bytes(octets)) == octets
    single_octets = bytes((octets[0] & 0x8F,)) + octets[1:]
    assert bytes(ant_speed_cadence.RevolutionPage.from_bytes(single_octets)) == single_octets


@pytest.mark.parametrize("name", VECTORS)
def test_vector_comes_back_octet_for_octet(name: str) -> None:
    vector = VECTORS[name]
    kinds: dict[int, type[Page]] = dict(ant_common.PAGES)
    if "Power" in vector["profile"]:
        kinds |= ant_power.PAGES
    elif "Fitness" in vector["profile"]:
        kinds |= ant_trainer.PAGES
    for octets in payloads(vector):
        if "121" in vector["profile"]:
            assert bytes(ant_speed_cadence.SpeedCadencePage.from_bytes(octets)) == octets
        elif "Bike" in vector["profile"]:
            assert bytes(ant_speed_cadence.RevolutionPage.from_bytes(octets)) == octets
        elif octets[0] != 0:  # cs-07 begins with eight zeros, which are no page of the trainer
            assert bytes(kinds[octets[0]].from_bytes(octets)) == octets


BUILT: dict[str, Page] = {
    "fe31-01": ant_trainer.TargetPower.of(250),
    "fe30-01": ant_trainer.BasicResistance.of(37.5),
    "fe33-01": ant_trainer.TrackResistance.of(2.5, 0.004),
    "p01-01": ant_power.Calibration.zero_request(),
    "com46-01": ant_common.RequestPage(page=0x52),
    "fe36-01": ant_trainer.Capabilities(max_resistance_raw=1000, modes=7),
    "p10-01": ant_power.PowerOnly(cadence_raw=90, power_raw=200),
    "p03-01": ant_power.MeasurementOutput(kind=24, exponent=-10, time_raw=4096, value_raw=1000),
    "p13-01": ant_power.TorqueEffectiveness(
        event_count=5, left_effectiveness_raw=200, left_smoothness_raw=110, right_smoothness_raw=0xFE
    ),
    "p02-03": ant_power.CrankParameters.set_length(175),
}


@pytest.mark.parametrize("name", BUILT)
def test_unused_octets_of_a_built_page_are_as_published(name: str) -> None:
    assert bytes(BUILT[name]) == payloads(VECTORS[name])[0]


# Readings: the words that all profiles share.


def power(hex_: str) -> Reading:
    return ant_power.decode(bytes.fromhex(hex_))


def test_reading_of_a_pedal_pair() -> None:
    reading = power("100ab255e8032c01")  # p10-05: 50 % right
    assert reading == Reading(
        item="ant11/0x10",
        power_w=300,
        cadence_rpm=85,
        left_share=0.5,
        events=10,
        event_family=0x10,
        power_sum_w=1000,
    )
    assert power("100a9e55e8032c01").left_share == pytest.approx(0.70)  # 30 % right
    unknown = power("100c325540062c01")
    assert (unknown.left_share, unknown.side_share) == (None, 0.5)
    assert power("100aff55e8032c01").side_share is None
    assert power("100ae555e8032c01").left_share is None  # 101 %: reserved


def test_reading_without_values_where_the_page_has_none() -> None:
    reading = power("100affffe803ffff")
    assert (reading.power_w, reading.cadence_rpm, reading.power_sum_w) == (None, None, None)
    reading = ant_trainer.decode(bytes.fromhex("190350e803ff0f33"))
    assert (reading.power_w, reading.power_sum_w, reading.events) == (None, None, 3)


def test_reading_of_torque_pages() -> None:
    crank_page = power("120b0b5add185f0e")
    assert (
        crank_page.crank_revs,
        crank_page.crank_revs_modulus,
        crank_page.crank_ticks,
        crank_page.crank_tick_hz,
        crank_page.torque_sum_32nds,
        crank_page.torque_at_crank,
    ) == (11, 256, 6365, 2048, 3679, True)
    assert crank_page.wheel_revs is None
    wheel = power("110b335ae0151c0c")
    assert (
        wheel.wheel_revs,
        wheel.wheel_revs_modulus,
        wheel.wheel_ticks,
        wheel.wheel_tick_hz,
        wheel.torque_sum_32nds,
        wheel.torque_at_crank,
        wheel.crank_revs,
    ) == (51, 256, 5600, 2048, 3100, False, None)
    hub = ant_trainer.decode(bytes.fromhex("1a0b1770171c0c30"))
    assert (hub.wheel_revs, hub.wheel_ticks, hub.torque_sum_32nds, hub.torque_at_crank) == (
        23,
        6000,
        3100,
        False,
    )


def test_event_families_are_apart_but_for_the_two_that_share_a_counter() -> None:
    families = {n: power(f"{n:02x}05000000000000").event_family for n in (0x10, 0x11, 0x12, 0x13, 0x20, 0xE0)}
    assert families[0x10] == families[0x13]
    assert len(set(families.values())) == 5
    trainer_families = {ant_trainer.decode(bytes((n, *bytes(7)))).event_family for n in (0x19, 0x1A)}
    assert len(trainer_families) == 2


def test_facts_of_a_power_meter() -> None:
    assert power("0201ffff7d3b00ff").facts == {
        "crank_length_mm": 172.5,
        "crank_length_status": "automatic",
        "sensor_software": "left sensor older",
        "sensors": "both",
        "custom_calibration": "not supported",
    }
    assert power("01acffffffffa404").facts == {
        "zero_offset_outcome": "success",
        "zero_offset_raw": 1188,
        "auto_zero": "not supported",
    }
    failed = power("01af00ffffff0000").facts
    assert failed == {"zero_offset_outcome": "failed", "auto_zero": "off"}
    assert power("01aaffffffffffff").facts is None
    assert power("011001ffffff01f4").facts == {"zero_offset_hz": 500}
    assert power("51ffff0a78563412").facts == {"firmware": "1.0", "serial": "305419896"}
    assert power("52ff110000018023").facts == {
        "battery_v": 3.5,
        "battery_state": "good",
        "operating_s": 1048576,
    }
    assert power("52ff120000008043").facts == {"battery_1_v": 3.5, "battery_1_state": "low"}
    assert power("0301190000000010").facts == {"temperature_c": 4096.0}


def test_facts_of_a_trainer() -> None:
    facts = ant_trainer.decode(bytes.fromhex("190350e8032c1131")).facts
    assert facts == {
        "trainer_state": "in use",
        "target_limits": "speed too low",
        "trainer_needs": "power calibration",
    }
    assert ant_trainer.decode(bytes(ant_trainer.TargetPower.of(180.25))).facts == {"target_power_w": 180.25}
    status = ant_common.CommandStatus(0x31, 7, 0, bytes(ant_trainer.TargetPower.of(200))[4:])
    assert ant_trainer.decode(bytes(status)).facts == {
        "command_page": "0x31",
        "command_status": "pass",
        "command_sequence": 7,
        "target_power_w": 200.0,
    }
    rejected = ant_common.CommandStatus(0x31, 8, 3, bytes(ant_trainer.TargetPower.of(200))[4:])
    facts = ant_trainer.decode(bytes(rejected)).facts
    assert facts is not None
    assert "target_power_w" not in facts
    calibrated = ant_trainer.Calibration(flags=0x80, temperature_raw=90, spin_down_raw=12340)
    assert ant_trainer.decode(bytes(calibrated)).facts == {
        "spin_down_outcome": "success",
        "spin_down_s": 12.34,
        "temperature_c": 20.0,
    }


def test_speed_and_cadence_readings() -> None:
    cadence = ant_speed_cadence.decode(122, bytes.fromhex("80ffffff3e096600"))
    assert (
        cadence.item,
        cadence.crank_revs,
        cadence.crank_ticks,
        cadence.crank_tick_hz,
        cadence.crank_revs_modulus,
        cadence.wheel_revs,
    ) == ("ant122/0x00", 102, 2366, 1024, 65536, None)
    speed = ant_speed_cadence.decode(123, bytes.fromhex("00ffffff3e096600"))
    assert (
        speed.wheel_revs,
        speed.wheel_ticks,
        speed.wheel_tick_hz,
        speed.wheel_revs_modulus,
        speed.crank_revs,
    ) == (102, 2366, 1024, 65536, None)
    both = ant_speed_cadence.decode(121, bytes.fromhex("08010a0009036500"))
    assert (both.crank_ticks, both.crank_revs, both.wheel_ticks, both.wheel_revs) == (264, 10, 777, 101)
    assert ant_speed_cadence.decode(122, bytes.fromhex("8501ffff3e096600")).moving is False
    assert ant_speed_cadence.decode(122, bytes.fromhex("0500ffff3e096600")).moving is True
    battery = ant_speed_cadence.decode(122, bytes.fromhex("84ff80b23e096600"))
    assert battery.facts == {"battery_v": 2.5, "battery_state": "ok"}
    assert battery.crank_revs == 102
    # A common page has no count in octets 4 to 7.
    assert ant_speed_cadence.decode(122, bytes.fromhex("d0ffff0501000a00")).crank_revs is None


@given(octets=st.binary(max_size=12))
def test_decoders_raise_nothing_but_decode_error(octets: bytes) -> None:
    decoders: list[Callable[[bytes], Reading]] = [ant_power.decode, ant_trainer.decode]
    decoders += [
        lambda data, kind=kind: ant_speed_cadence.decode(kind, data)  # type: ignore[misc]
        for kind in (121, 122, 123)
    ]
    for decode in decoders:
        if len(octets) == 8:
            assert decode(octets).item.startswith("ant")
        else:
            with pytest.raises(DecodeError, match="octets"):
                decode(octets)


@pytest.mark.parametrize("number", [0x04, 0x21, 0x60, 0xF0, 0xFF])
def test_an_unknown_page_is_kept_without_values(number: int) -> None:
    octets = bytes((number,)) + b"\x11" * 7
    assert ant_power.decode(octets) == Reading(item=f"ant11/0x{number:02X}")
    assert ant_trainer.decode(octets) == Reading(item=f"ant17/0x{number:02X}")


def test_errors_name_the_field_and_the_page() -> None:
    with pytest.raises(DecodeError, match=r"page.*1000"):
        ant_power.decode(b"\x10\x00")
    with pytest.raises(DecodeError, match="not page 0x10 but 0x12"):
        ant_power.PowerOnly.from_bytes(bytes.fromhex("120b0b5add185f0e"))
    with pytest.raises(ValueError, match="PowerOnly"):
        bytes(ant_power.PowerOnly(power_raw=70000))


def test_commands_refuse_what_their_field_cannot_hold() -> None:
    for refused in (
        lambda: ant_trainer.TargetPower.of(-1),
        lambda: ant_trainer.TargetPower.of(4001),
        lambda: ant_trainer.BasicResistance.of(100.5),
        lambda: ant_trainer.TrackResistance.of(201),
        lambda: ant_power.CrankParameters.set_length(300),
    ):
        with pytest.raises(ValueError, match="can be set"):
            refused()
    with pytest.raises(ValueError, match="no speed or cadence"):
        ant_speed_cadence.decode(11, bytes(8))


@given(st.floats(0, 4000))
def test_target_power_to_a_quarter_watt(power_w: float) -> None:
    page = ant_trainer.TargetPower.from_bytes(bytes(ant_trainer.TargetPower.of(power_w)))
    assert abs(page.power_w - power_w) <= 0.125


@given(
    rpm=st.floats(30, 130), torque_nm=st.floats(1, 120), start=st.integers(0, 65535), count=st.integers(1, 20)
)
def test_power_from_counters_at_any_place_of_their_roll_over(
    rpm: float, torque_nm: float, start: int, count: int
) -> None:
    """P = T omega, whatever the counters begin at: the plain mechanics behind the formula."""
    period, sum_ = round(60 / rpm * 2048 * count), round(torque_nm * 32 * count)
    if period > 65535 or sum_ > 65535:
        return
    before = ant_power.CrankTorque(start & 0xFF, start & 0xFF, 0xFF, start, start)
    after = ant_power.CrankTorque(
        (start + count) & 0xFF,
        (start + count) & 0xFF,
        0xFF,
        (start + period) & 0xFFFF,
        (start + sum_) & 0xFFFF,
    )
    mean = ant_means.mean_torque(before, after)
    assert mean is not None
    omega = 2 * math.pi * count / (period / 2048)
    assert mean.power_w == pytest.approx(sum_ / 32 / count * omega, rel=1e-9)
    assert mean.power_w == pytest.approx(mean.torque_nm * mean.omega_rad_s, rel=1e-9)


def test_device_types_and_periods_are_those_of_openant() -> None:
    from openant.devices.bike_speed_cadence import BikeCadence, BikeSpeed, BikeSpeedCadence
    from openant.devices.fitness_equipment import FitnessEquipment
    from openant.devices.power_meter import PowerMeter

    kinds = [PowerMeter, FitnessEquipment, BikeSpeedCadence, BikeCadence, BikeSpeed]
    devices = [kind(MagicMock()) for kind in kinds]
    assert {device.device_type: device.period for device in devices} == ant_common.PERIOD_TICKS


@pytest.mark.parametrize(("octets", "told"), [
    ("e201405a0a80ffff", {"right": 10}), ("e201405a80f6ffff", {"left": -10}),
    ("e201405a8080ffff", {}), ("e201405a0581ffff", {"right": 5, "left": -127}),
])  # fmt: skip
def test_a_platform_offset_may_be_not_reported(octets: str, told: dict[str, float]) -> None:
    """0xE2, octets 4 and 5: 0x80 is no offset of -128 mm (two open decoders; no standard was at hand)."""
    facts = ant_power.decode(bytes.fromhex(octets)).facts or {}
    offsets = {k.removesuffix("_platform_offset_mm"): v for k, v in facts.items() if "offset_mm" in k}
    assert offsets == told
