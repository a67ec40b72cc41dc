"""The Bluetooth codecs against recorded vectors, published layouts, and themselves.

`fixtures/vectors/radio-vectors.json` holds the figures of independent open decoders
(bluetooth-sig, pyftms) with the source of each layout. Where a decoder and the published
layout part, the vector says so in `disagreement`, and we hold the side that it calls
`expected`; the reasons are argued at the tests below.
"""

import itertools
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.profiles import CODECS, Codec, cycling_power, decode, device_information, fitness_machine
from capture.profiles import speed_cadence as csc
from capture.profiles.cycling_power import Feature, Location, Measurement, Vector
from capture.profiles.fitness_machine import IndoorBikeData, PowerRange, ResistanceRange, Simulation
from capture.sample import DecodeError, Reading, StrokeVector

VECTORS: list[dict[str, Any]] = [
    vector
    for vector in json.loads(
        (Path(__file__).parents[1] / "fixtures/vectors/radio-vectors.json").read_text(encoding="utf-8")
    )["vectors"]
    if vector["profile"].startswith("Bluetooth")
]


def scaled(value: int | None, divisor: int) -> float | None:
    return None if value is None else value / divisor


def told(**values: Any) -> dict[str, Any]:
    """The values that are there: a vector leaves out what a packet does not say."""
    return {name: value for name, value in values.items() if value is not None}


def measurement(m: Measurement) -> dict[str, Any]:
    return told(
        flags=m.flags,
        instantaneous_power=m.power_w,
        # Raw above 200 is outside 100 %, and the published layout names no "unknown" code: no share then.
        pedal_power_balance=None if m.share is None else m.share * 100,
        accumulated_torque=scaled(m.torque_sum_32nds, 32),
        cumulative_wheel_revolutions=m.wheel_revs,
        last_wheel_event_time=scaled(m.wheel_event_2048ths, 2048),
        cumulative_crank_revolutions=m.crank_revs,
        last_crank_event_time=scaled(m.crank_event_1024ths, 1024),
        maximum_force_magnitude=m.max_force_n,
        minimum_force_magnitude=m.min_force_n,
        maximum_torque_magnitude=scaled(m.max_torque_32nds, 32),
        minimum_torque_magnitude=scaled(m.min_torque_32nds, 32),
        maximum_angle=m.max_angle_deg,
        minimum_angle=m.min_angle_deg,
        top_dead_spot_angle=m.top_dead_spot_deg,
        bottom_dead_spot_angle=m.bottom_dead_spot_deg,
        accumulated_energy=m.energy_kj,
    )


def vector_fields(v: Vector) -> dict[str, Any]:
    crank = told(
        crank_revolutions=v.crank_revs,
        last_crank_event_time=scaled(v.crank_event_1024ths, 1024),
    )
    return told(
        flags=bytes(v)[0],
        crank_revolution_data=crank or None,
        first_crank_measurement_angle=v.first_angle_deg,
        instantaneous_force_magnitude_array=None if v.forces_n is None else list(v.forces_n),
        instantaneous_torque_magnitude_array=(
            None if v.torques_32nds is None else [torque / 32 for torque in v.torques_32nds]
        ),
        instantaneous_measurement_direction=v.direction,
    )


# The vectors use the wording of the decoder that they were checked with.
FEATURE_WORDS = {
    "PEDAL_POWER_BALANCE": "balance",
    "ACCUMULATED_TORQUE": "accumulated_torque",
    "WHEEL_REVOLUTION_DATA": "wheel_revolutions",
    "CRANK_REVOLUTION_DATA": "crank_revolutions",
    "EXTREME_MAGNITUDES": "extreme_magnitudes",
    "EXTREME_ANGLES": "extreme_angles",
    "TOP_AND_BOTTOM_DEAD_SPOT_ANGLES": "dead_spot_angles",
    "ACCUMULATED_ENERGY": "accumulated_energy",
    "OFFSET_COMPENSATION_INDICATOR": "offset_compensation_indicator",
    "OFFSET_COMPENSATION": "offset_compensation",
    "CONTENT_MASKING": "content_masking",
    "MULTIPLE_SENSOR_LOCATIONS": "multiple_locations",
    "CRANK_LENGTH_ADJUSTMENT": "crank_length_adjustable",
    "CHAIN_LENGTH_ADJUSTMENT": "chain_length_adjustable",
    "CHAIN_WEIGHT_ADJUSTMENT": "chain_weight_adjustable",
    "SPAN_LENGTH_ADJUSTMENT": "span_length_adjustable",
    "INSTANTANEOUS_MEASUREMENT_DIRECTION": "measurement_direction",
    "FACTORY_CALIBRATION_DATE": "factory_calibration_date",
    "ENHANCED_OFFSET_COMPENSATION": "enhanced_offset_compensation",
}


def feature(f: Feature) -> dict[str, Any]:
    words = [word for word, name in FEATURE_WORDS.items() if f.has(name)]
    if f.context == "torque":
        # A choice of unit rather than an ability, so it is no key of FEATURES; in the order of its bit, 16.
        later = {
            "INSTANTANEOUS_MEASUREMENT_DIRECTION",
            "FACTORY_CALIBRATION_DATE",
            "ENHANCED_OFFSET_COMPENSATION",
        }
        words.insert(sum(word not in later for word in words), "SENSOR_MEASUREMENT_CONTEXT")
    return {"raw": f.bits, "features": words, "distributed_system_support": f.distributed_system}


def csc_measurement(m: csc.Measurement) -> dict[str, Any]:
    return told(
        flags=m.flags,
        cumulative_wheel_revolutions=m.wheel_revs,
        last_wheel_event_time=scaled(m.wheel_event_1024ths, 1024),
        cumulative_crank_revolutions=m.crank_revs,
        last_crank_event_time=scaled(m.crank_event_1024ths, 1024),
    )


def bike(b: IndoorBikeData) -> dict[str, Any]:
    return told(
        flags=b.flags,
        instantaneous_speed=scaled(b.speed_hundredths_kmh, 100),
        average_speed=scaled(b.average_speed_hundredths_kmh, 100),
        instantaneous_cadence=scaled(b.cadence_half_rpm, 2),
        average_cadence=scaled(b.average_cadence_half_rpm, 2),
        total_distance=b.distance_m,
        resistance_level=b.resistance_raw,
        instantaneous_power=b.power_w,
        average_power=b.average_power_w,
        total_energy=b.energy_kcal,
        energy_per_hour=b.energy_kcal_per_h,
        energy_per_minute=b.energy_kcal_per_min,
        heart_rate=b.heart_rate_bpm,
        metabolic_equivalent=scaled(b.metabolic_equivalent_tenths, 10),
        elapsed_time=b.elapsed_s,
        remaining_time=b.remaining_s,
    )


def power_range(r: PowerRange) -> dict[str, Any]:
    return {"minimum": r.min_w, "maximum": r.max_w, "minimum_increment": r.step_w}


def resistance_range(r: ResistanceRange) -> dict[str, Any]:
    return {
        "minimum": r.level(r.min_raw),
        "maximum": r.level(r.max_raw),
        "minimum_increment": r.level(r.step_raw),
    }


def with_parameter(message: fitness_machine.Request | fitness_machine.Status) -> dict[str, Any]:
    return told(op_code=message.op, parameter=bytes(message)[1:].hex() or None)


def machine_answer(answer: fitness_machine.Response) -> dict[str, Any]:
    return {"op_code": 0x80, "response_op_code": answer.request_op, "result_code": answer.result}


def simulation(request: fitness_machine.Request) -> dict[str, Any]:
    assert isinstance(request.simulation, Simulation)
    return {
        "wind_speed": request.simulation.wind_mm_per_s / 1000,
        "grade": request.simulation.grade_hundredths_percent / 100,
        "rolling_resistance": request.simulation.rolling_resistance_1e4ths / 10000,
        "wind_resistance": request.simulation.wind_resistance_hundredths_kg_per_m / 100,
    }


def power_request(request: cycling_power.Request) -> dict[str, Any]:
    fields: dict[str, Any] = {"op_code": request.op}
    if request.value is not None:
        # Chain length and weight in whole mm and g: three published stack headers, against one decoder.
        name, divisor = {0x04: ("crank_length", 2), 0x06: ("chain_length", 1), 0x08: ("chain_weight", 1)}[
            request.op
        ]
        fields[name] = request.value / divisor
    return fields


def power_answer(answer: cycling_power.Response) -> dict[str, Any]:
    is_length = answer.request_op == 0x05
    return told(
        op_code=0x20,
        request_op_code=answer.request_op,
        response_value=answer.result,
        response_crank_length=scaled(answer.value, 2) if is_length else None,
        # 0xFFFF: the sensor has no figure to tell.
        response_offset=None if is_length or answer.value == -1 else answer.value,
        error_parameter=answer.failure,
        company_id=answer.company_id,
        manufacturer_data=answer.maker_data.hex() or None,
    )


# Requests are no `Codec`: an instrument does not send them, so they have no reading.
Shown = tuple[Any, Callable[[Any], dict[str, Any]]]

BY_ITEM: dict[str, Shown] = {
    "0x2A63 Cycling Power Measurement": (Measurement, measurement),
    "0x2A63 sequence, derived values": (Measurement, measurement),
    "0x2A64 Cycling Power Vector": (Vector, vector_fields),
    "0x2A65 Cycling Power Feature": (Feature, feature),
    "0x2A5D Sensor Location": (Location, lambda at: {"value": at.word.upper().replace(" ", "_")}),
    "0x2A5B CSC Measurement": (csc.Measurement, csc_measurement),
    "0x2A5C CSC Feature": (
        csc.Feature,
        lambda f: {
            "wheel": f.has("wheel_revolutions"),
            "crank": f.has("crank_revolutions"),
            "multi_location": f.has("multiple_locations"),
        },
    ),
    "0x2AD2 Indoor Bike Data": (IndoorBikeData, bike),
    "0x2ACC Fitness Machine Feature": (
        fitness_machine.FitnessMachineFeature,
        lambda f: {"machine": f.machine, "target": f.targets},
    ),
    "0x2AD8 Supported Power Range": (PowerRange, power_range),
    "0x2AD6 Supported Resistance Level Range": (ResistanceRange, resistance_range),
    "0x2ADA Fitness Machine Status": (fitness_machine.Status, with_parameter),
    "0x2AD9 op 0x11 parameter array": (fitness_machine.Request, simulation),
    "0x2A19 Battery Level": (
        device_information.BatteryLevel,
        lambda b: {"percent": b.percent},
    ),
}


def shown(item: str, data: bytes) -> Shown:
    """The codec of a packet and how its fields read in the words of the vectors."""
    if item == "0x2A66 Cycling Power Control Point":
        if data[0] == cycling_power.RESPONSE:
            return cycling_power.Response, power_answer
        return cycling_power.Request, power_request
    if item == "0x2AD9 Fitness Machine Control Point":
        if data[0] == fitness_machine.RESPONSE:
            return fitness_machine.Response, machine_answer
        return fitness_machine.Request, with_parameter
    return BY_ITEM[item]


def packets() -> Iterator[tuple[str, str, bytes, dict[str, Any]]]:
    """Name, item, octets and expected fields of every single packet of the vectors."""
    for vector in VECTORS:
        expected = vector["expected"]
        each = expected.get("fields", [expected])
        for number, (payload, fields) in enumerate(zip(vector["payloads"], each, strict=True)):
            data = bytes.fromhex(payload["hex"])
            if vector["item"] == "0x2AD9 op 0x11 parameter array":
                data = bytes([fitness_machine.SET_SIMULATION]) + data
            name = vector["id"] if len(each) == 1 else f"{vector['id']}/{number}"
            yield name, vector["item"], data, fields


PACKETS = list(packets())
SOUND = [pytest.param(*packet, id=packet[0]) for packet in PACKETS if "error" not in packet[3]]
UNSOUND = [pytest.param(*packet, id=packet[0]) for packet in PACKETS if "error" in packet[3]]


def refusal(codec: Any, data: bytes) -> DecodeError | None:
    """Why `codec` refuses `data`; None if it takes it."""
    try:
        codec.from_bytes(data)
    except DecodeError as error:
        return error
    return None


def test_every_bluetooth_vector_is_driven() -> None:
    # Losing some of the file, or of the table above, must not pass unseen.
    assert len(VECTORS) == 140
    assert len(SOUND) == 150
    assert sorted(str(packet.id) for packet in UNSOUND) == [
        "cpm-34",
        "cpm-35",
        "cpm-37",
        "cpv-04",
        "csc-06",
        "ibd-20",
    ]


@pytest.mark.parametrize(("name", "item", "data", "expected"), SOUND)
def test_decoded_fields_are_those_of_the_vector(
    name: str, item: str, data: bytes, expected: dict[str, Any]
) -> None:
    codec, fields = shown(item, data)
    assert fields(codec.from_bytes(data)) == expected


@pytest.mark.parametrize(("name", "item", "data", "expected"), SOUND)
def test_encoding_gives_the_octets_of_the_vector_back(
    name: str, item: str, data: bytes, expected: dict[str, Any]
) -> None:
    codec, _ = shown(item, data)
    assert bytes(codec.from_bytes(data)) == data


@pytest.mark.parametrize(("name", "item", "data", "expected"), UNSOUND)
def test_a_vector_that_is_unsound_is_refused_whole(
    name: str, item: str, data: bytes, expected: dict[str, Any]
) -> None:
    # Other decoders return what they could read; in cpm-35 one of them then shows the octets of
    # the crank as 10 kJ. For cpv-04 (force and torque both flagged) the vector keeps the fields
    # before the arrays; we refuse it too, for nothing tells where one array ends.
    codec, _ = shown(item, data)
    with pytest.raises(DecodeError) as caught:
        codec.from_bytes(data)
    assert caught.value.field
    assert data.hex() in str(caught.value)


# Lengths below the whole at which a vector cut short is another sound packet.
SOUND_WHEN_CUT: dict[str, set[int]] = {
    # Two octets follow the last field; they are kept, not needed.
    "cpm-36": {8, 9},
    # An array fills the rest of the packet: any whole number of elements is an array.
    "cpv-01": {7, 9, 11},
    "cpv-02": {7, 9, 11},
    # Exactly one octet less is the u8 resistance level of the present standard.
    "ibd-07": {19},
    "ibd-08": {10},
    "ibd-09": {9},
    "ibd-10": {5},
    "ibd-16": {27},
    "ibd-17": {29},
    # The same two widths of the resistance, in the control point and in the supported range.
    "fcp-05": {2},
    "srr-01": {3},
    # Company and data after an enhanced offset may be absent; data is of any length.
    "cpc-10": {5, 7, 8},
    # So may the reason of a failure: that it failed is worth more than a complaint about the missing octet.
    "cpc-11": {3},
    "cpc-12": {3, 6, 7},
}


@pytest.mark.parametrize(("name", "item", "data", "expected"), SOUND)
def test_every_truncation_names_the_field_the_offset_and_the_octets(
    name: str, item: str, data: bytes, expected: dict[str, Any]
) -> None:
    codec, _ = shown(item, data)
    sound = set()
    for length in range(len(data)):
        error = refusal(codec, data[:length])
        if error is None:
            sound.add(length)
            continue
        assert error.field
        assert error.offset <= length
        assert f"{error.field} at octet {error.offset} of {data[:length].hex() or 'nothing'}" in str(error)
    assert sound == SOUND_WHEN_CUT.get(name, set())


# Bluetooth SIG, GATT Specification Supplement, "Cycling Power Measurement": fields in order, octets.
MEASUREMENT_LAYOUT: list[tuple[int | None, str, int]] = [
    (None, "flags", 2),
    (None, "power_w", 2),
    (0, "balance_half_percent", 1),
    (2, "torque_sum_32nds", 2),
    (4, "wheel_revs", 4),
    (4, "wheel_event_2048ths", 2),
    (5, "crank_revs", 2),
    (5, "crank_event_1024ths", 2),
    (6, "max_force_n", 2),
    (6, "min_force_n", 2),
    (7, "max_torque_32nds", 2),
    (7, "min_torque_32nds", 2),
    (8, "max_angle_deg and min_angle_deg", 3),
    (9, "top_dead_spot_deg", 2),
    (10, "bottom_dead_spot_deg", 2),
    (11, "energy_kj", 2),
]

# The same, "Indoor Bike Data", with the resistance level of two octets; bit 0 is inverted.
BIKE_LAYOUT: list[tuple[int | None, str, int]] = [
    (None, "flags", 2),
    (0, "speed_hundredths_kmh", 2),
    (1, "average_speed_hundredths_kmh", 2),
    (2, "cadence_half_rpm", 2),
    (3, "average_cadence_half_rpm", 2),
    (4, "distance_m", 3),
    (5, "resistance_raw", 2),
    (6, "power_w", 2),
    (7, "average_power_w", 2),
    (8, "energy_kcal_raw", 2),
    (8, "energy_kcal_per_h_raw", 2),
    (8, "energy_kcal_per_min_raw", 1),
    (9, "heart_rate_bpm", 1),
    (10, "metabolic_equivalent_tenths", 1),
    (11, "elapsed_s", 2),
    (12, "remaining_s", 2),
]


@pytest.mark.parametrize(
    ("codec", "layout", "inverted"), [(Measurement, MEASUREMENT_LAYOUT, 0), (IndoorBikeData, BIKE_LAYOUT, 1)]
)
def test_every_combination_of_flags_has_the_length_of_its_fields(
    codec: type[Codec], layout: list[tuple[int | None, str, int]], inverted: int
) -> None:
    for flags in range(1 << 13):
        present = [
            (name, octets) for bit, name, octets in layout if bit is None or (flags ^ inverted) >> bit & 1
        ]
        length = sum(octets for _, octets in present)
        # The octets that follow the flags count up, so that no two fields hold the same number.
        data = flags.to_bytes(2, "little") + bytes(range(1, length - 1))
        packet: Any = codec.from_bytes(data)
        assert packet.rest == b""
        assert bytes(packet) == data
        assert packet.flags == flags
        assert bytes(codec.from_bytes(data + b"\xaa")) == data + b"\xaa"
        at = 2
        for name, octets in present[1:]:
            if " and " not in name:
                assert getattr(packet, name) == int.from_bytes(data[at : at + octets], "little")
            at += octets


def test_the_field_that_is_cut_off_is_the_one_named() -> None:
    whole = bytes.fromhex("ff1f900163200340e20100a00f3412cdab2602ecff000880febc3a120300b700e703")
    at = 0
    for _, name, octets in MEASUREMENT_LAYOUT:
        for length in range(at, at + octets):
            with pytest.raises(DecodeError) as caught:
                decode("2A63", whole[:length])
            assert (caught.value.field, caught.value.offset) == (name, at)
        at += octets
    assert at == len(whole) == 34


def test_extreme_angles_are_two_numbers_of_twelve_bits() -> None:
    # The worked example of the GATT Specification Supplement: maximum 0xABC, minimum 0x123 make 0x123ABC.
    packet = Measurement(power_w=0, max_angle_deg=0xABC, min_angle_deg=0x123)
    assert bytes(packet)[-3:] == bytes.fromhex("bc3a12")
    assert Measurement.from_bytes(bytes(packet)) == packet


def reading(channel: str, packet: object) -> Reading:
    return decode(channel, bytes(packet))  # type: ignore[call-overload]


def test_a_share_is_left_only_when_the_sensor_says_so() -> None:
    left = reading("2A63", Measurement(power_w=250, balance_half_percent=97, balance_is_left=True))
    assert (left.left_share, left.side_share) == (0.485, None)
    unknown = reading("2A63", Measurement(power_w=250, balance_half_percent=97))
    assert (unknown.left_share, unknown.side_share) == (None, 0.485)
    no_balance = reading("2A63", Measurement(power_w=250, balance_is_left=True))
    assert (no_balance.left_share, no_balance.side_share) == (None, None)


@pytest.mark.parametrize("raw", [201, 255])
@pytest.mark.parametrize("is_left", [False, True])
def test_a_share_above_the_whole_is_no_share(raw: int, is_left: bool) -> None:
    got = reading("2A63", Measurement(power_w=250, balance_half_percent=raw, balance_is_left=is_left))
    assert (got.left_share, got.side_share) == (None, None)
    whole = reading("2A63", Measurement(power_w=250, balance_half_percent=200, balance_is_left=is_left))
    assert (whole.left_share, whole.side_share) == ((1.0, None) if is_left else (None, 1.0))


def test_the_whole_measurement_in_shared_terms() -> None:
    # Vector cpm-29, all fields at once.
    got = decode(
        "2A63", bytes.fromhex("ff1f900163200340e20100a00f3412cdab2602ecff000880febc3a120300b700e703")
    )
    assert got == Reading(
        item="2A63",
        power_w=400.0,
        left_share=0.495,
        torque_sum_32nds=800,
        torque_at_crank=True,
        crank_revs=4660,
        crank_ticks=43981,
        crank_tick_hz=1024,
        wheel_revs=123456,
        wheel_ticks=4000,
        wheel_tick_hz=2048,
        energy_kj=999,
        # The greatest angle, 0xABC, and the least, 0x123, as packed: the first is none, a turn has 360.
        facts={
            "offset_indicator": 1.0,
            "max_torque_nm": 64.0,
            "min_torque_nm": -12.0,
            "max_force_n": 550.0,
            "min_force_n": -20.0,
            "min_torque_angle_deg": 291.0,
            "top_dead_spot_deg": 3.0,
            "bottom_dead_spot_deg": 183.0,
        },
    )


def test_the_torque_of_a_wheel_is_not_that_of_a_crank() -> None:
    assert not reading("2A63", Measurement(power_w=300, torque_sum_32nds=800)).torque_at_crank
    assert reading(
        "2A63", Measurement(power_w=300, torque_sum_32nds=800, torque_at_crank=True)
    ).torque_at_crank


def test_the_wheel_clock_of_a_speed_sensor_is_half_as_fast() -> None:
    # GATT Specification Supplement: 1/2048 s in "Cycling Power Measurement", 1/1024 s in "CSC Measurement".
    got = reading(
        "2A5B", csc.Measurement(wheel_revs=1, wheel_event_1024ths=1024, crank_revs=2, crank_event_1024ths=3)
    )
    assert (got.wheel_revs, got.wheel_ticks, got.wheel_tick_hz) == (1, 1024, 1024)
    assert (got.crank_revs, got.crank_ticks, got.crank_tick_hz) == (2, 3, 1024)


SEQUENCES = {vector["id"]: vector for vector in VECTORS if "derived" in vector["expected"]}


@pytest.mark.parametrize("name", ["cpmseq-01", "cpmseq-02", "cpmseq-03", "cpmseq-04"])
def test_counters_of_a_reading_suffice_for_the_cadence(name: str) -> None:
    readings = [decode("2A63", bytes.fromhex(p["hex"])) for p in SEQUENCES[name]["payloads"]]
    rates: list[float | None] = [None]
    for before, after in itertools.pairwise(readings):
        assert before.crank_revs is not None
        assert after.crank_revs is not None
        assert before.crank_ticks is not None
        assert after.crank_ticks is not None
        revs = (after.crank_revs - before.crank_revs) % after.crank_revs_modulus
        ticks = (after.crank_ticks - before.crank_ticks) % 65536
        rates.append(60 * revs * after.crank_tick_hz / ticks if ticks else None)
    assert rates == pytest.approx(SEQUENCES[name]["expected"]["derived"]["cadence_rpm"])


def test_counters_of_a_reading_suffice_for_the_speed() -> None:
    first, last = [decode("2A63", bytes.fromhex(p["hex"])) for p in SEQUENCES["cpmseq-06"]["payloads"]]
    assert first.wheel_revs is not None
    assert last.wheel_revs is not None
    assert first.wheel_ticks is not None
    assert last.wheel_ticks is not None
    revs = (last.wheel_revs - first.wheel_revs) % last.wheel_revs_modulus
    seconds = (last.wheel_ticks - first.wheel_ticks) % 65536 / last.wheel_tick_hz
    assert revs / seconds == pytest.approx(SEQUENCES["cpmseq-06"]["expected"]["derived"]["wheel_rps"])


def test_a_vector_has_counters_of_its_own_and_repeats_none() -> None:
    got = decode("2A64", bytes.fromhex("170a0000045a0064006e00f6ff"))
    assert got == Reading(
        item="2A64",
        vector=StrokeVector((100.0, 110.0, -10.0), 90, True, 1, 10, 1024),
    )
    torques = decode("2A64", bytes.fromhex("0840006000e0ff")).vector
    assert torques == StrokeVector((2.0, 3.0, -1.0))


def test_a_vector_without_magnitudes_has_none() -> None:
    assert decode("2A64", bytes.fromhex("010a000004")).vector == StrokeVector((), None, False, 0, 10, 1024)


def test_half_a_number_at_the_end_of_an_array_is_refused() -> None:
    with pytest.raises(DecodeError, match=r"half a number.*forces_n at octet 3"):
        decode("2A64", bytes.fromhex("0464006e"))


def test_what_an_instrument_can_do_is_told_as_facts() -> None:
    facts = decode("2A65", bytes.fromhex("09122100")).facts
    assert facts is not None
    assert facts["offset_compensation"] == 1.0
    assert facts["multiple_locations"] == 0.0
    assert facts["crank_length_adjustable"] == 1.0
    assert facts["measurement_context"] == "torque"
    assert facts["distributed_system"] == "for use"
    assert set(cycling_power.FEATURES) < set(facts)


@pytest.mark.parametrize(("number", "words"), [(5, "left crank"), (15, "spider"), (17, "reserved 17")])
def test_a_location_is_told_in_words(number: int, words: str) -> None:
    assert reading("2A5D", Location(number)).facts == {"location": words}


@pytest.mark.parametrize(
    ("octets", "facts"),
    [
        ("2005015901", {"crank_length_outcome": "success", "crank_length_mm": 172.5}),
        ("200502", {"crank_length_outcome": "op code not supported"}),
        ("200401", {"set_crank_length_outcome": "success"}),
        ("200403", {"set_crank_length_outcome": "invalid operand"}),
        ("200c01a404", {"zero_offset_outcome": "success", "zero_offset_raw": 1188.0}),
        ("200c0162ff", {"zero_offset_outcome": "success", "zero_offset_raw": -158.0}),
        ("200c01ffff", {"zero_offset_outcome": "success"}),
        ("200c04", {"zero_offset_outcome": "operation failed"}),
        ("201001a40434120102", {"zero_offset_outcome": "success", "zero_offset_raw": 1188.0}),
        ("201004", {"zero_offset_outcome": "operation failed"}),
        ("20100401", {"zero_offset_outcome": "incorrect calibration position"}),
        ("201004ff34120102", {"zero_offset_outcome": "manufacturer error"}),
        ("20100407", {"zero_offset_outcome": "reserved 7"}),
        ("201002", {"zero_offset_outcome": "op code not supported"}),
        ("2003010506", {"locations_outcome": "success", "locations": "left crank, right crank"}),
        ("2007010005", {"chain_length_outcome": "success", "chain_length_mm": 1280.0}),
        ("2009013001", {"chain_weight_outcome": "success", "chain_weight_g": 304.0}),
        ("200b015000", {"span_length_outcome": "success", "span_length_mm": 80.0}),
        ("200e0140", {"sampling_rate_outcome": "success", "sampling_rate_hz": 64.0}),
        (
            "200f01e907020e080500",
            {
                "factory_calibration_date_outcome": "success",
                "factory_calibration_date": "2025-02-14 08:05:00",
            },
        ),
        ("207701", {"op_0x77_outcome": "success"}),
        ("200409", {"set_crank_length_outcome": "reserved 9"}),
    ],
)
def test_answers_of_the_power_control_point_are_facts(octets: str, facts: dict[str, float | str]) -> None:
    got = decode("2A66", bytes.fromhex(octets))
    assert (got.item, got.facts) == ("2A66", facts)
    assert bytes(cycling_power.Response.from_bytes(bytes.fromhex(octets))).hex() == octets


def test_requests_of_the_power_control_point() -> None:
    assert bytes(cycling_power.set_crank_length(172.5)).hex() == "045901"
    assert bytes(cycling_power.Request(cycling_power.REQUEST_CRANK_LENGTH)).hex() == "05"
    assert bytes(cycling_power.Request(cycling_power.START_OFFSET_COMPENSATION)).hex() == "0c"
    assert bytes(cycling_power.Request(cycling_power.START_ENHANCED_OFFSET_COMPENSATION)).hex() == "10"
    assert bytes(cycling_power.mask_content(["balance", "accumulated_energy"])).hex() == "0d0101"


@pytest.mark.parametrize("mm", [170.25, -1, 40000])
def test_a_crank_length_that_can_not_be_sent_is_refused(mm: float) -> None:
    with pytest.raises(ValueError, match="crank length"):
        cycling_power.set_crank_length(mm)


@pytest.mark.parametrize(
    ("channel", "octets", "facts"),
    [
        ("2A55", "100401050c", {"locations_outcome": "success", "locations": "left crank, rear wheel"}),
        ("2A55", "100101", {"set_cumulative_value_outcome": "success"}),
        ("2A5C", "0600", {"wheel_revolutions": 0.0, "crank_revolutions": 1.0, "multiple_locations": 1.0}),
        ("2AD9", "800501", {"set_power_outcome": "success"}),
        ("2AD9", "801105", {"set_simulation_outcome": "control not permitted"}),
        ("2AD9", "800002", {"request_control_outcome": "op code not supported"}),
        ("2ADA", "08c800", {"machine_status": "target power changed", "target_power_w": 200.0}),
        ("2ADA", "0814ff", {"machine_status": "target power changed", "target_power_w": -236.0}),
        (
            "2ADA",
            "0202",
            {"machine_status": "stopped or paused by the user", "stopped_or_paused": "paused"},
        ),
        ("2ADA", "072c01", {"machine_status": "target resistance changed", "target_resistance": 30.0}),
        ("2ADA", "071e", {"machine_status": "target resistance changed", "target_resistance": 3.0}),
        (
            "2ADA",
            "12e803f4012833",
            {
                "machine_status": "simulation changed",
                "simulated_wind_mps": 1.0,
                "simulated_grade_percent": 5.0,
                "simulated_rolling_resistance": 0.004,
                "simulated_wind_resistance_kg_per_m": 0.51,
            },
        ),
        ("2ADA", "1404", {"machine_status": "spin down", "spin_down_status": "stop pedalling"}),
        ("2ADA", "15b400", {"machine_status": "target cadence changed", "target_cadence_rpm": 90.0}),
        ("2ADA", "0e1027", {"machine_status": "target time changed"}),
        ("2ADA", "ff", {"machine_status": "control permission lost"}),
        ("2ADA", "30", {"machine_status": "reserved 48"}),
        ("2AD8", "190020030500", {"min_power_w": 25.0, "max_power_w": 800.0, "power_step_w": 5.0}),
        (
            "2AD6",
            "000064000100",
            {"min_resistance": 0.0, "max_resistance": 10.0, "resistance_step": 0.1},
        ),
        (
            "2AD6",
            "010a01",
            {"min_resistance": 10.0, "max_resistance": 100.0, "resistance_step": 10.0},
        ),
        ("2A26", "322e312e30", {"firmware": "2.1.0"}),
        ("2A29", "706c756d6200", {"manufacturer": "plumb"}),
        ("2A25", "ff31071b5b324a", {"serial": "\ufffd1\ufffd\ufffd[2J"}),
        ("2A23", "0504030201ccbbaa", {"system_id": "aabbcc0102030405"}),
        (
            "2A50",
            "0234120100ff01",
            {
                "vendor_source": "USB",
                "vendor_id": "1234",
                "product_id": "0001",
                "product_version": "01ff",
            },
        ),
    ],
)
def test_facts_by_channel(channel: str, octets: str, facts: dict[str, float | str]) -> None:
    got = decode(channel, bytes.fromhex(octets))
    assert (got.item, got.facts) == (channel, facts)


def test_what_a_machine_can_do_is_told_as_facts() -> None:
    facts = decode("2ACC", bytes.fromhex("834000000ce00000")).facts
    assert facts is not None
    yes = sorted(name for name, value in facts.items() if value)
    assert yes == [
        "can_set_power",
        "can_set_resistance",
        "can_set_simulation",
        "can_set_spin_down",
        "can_set_wheel_circumference",
        "measures_average_speed",
        "measures_cadence",
        "measures_power",
        "measures_resistance_level",
    ]
    machine = fitness_machine.FitnessMachineFeature.from_bytes(bytes.fromhex("834000000ce00000"))
    assert machine.can_set("power")
    assert not machine.can_set("cadence")
    assert machine.measures("power")


@pytest.mark.parametrize(("raw", "percent"), [(0, 0.0), (57, 57.0), (100, 100.0), (101, None), (255, None)])
def test_a_battery_above_the_whole_is_not_told(raw: int, percent: float | None) -> None:
    assert decode("2A19", bytes([raw])) == Reading(item="2A19", battery_percent=percent)


@pytest.mark.parametrize("octets", [b"", b"\0\0\0", b"  "])
def test_an_empty_text_tells_nothing(octets: bytes) -> None:
    assert decode("2A24", octets) == Reading(item="2A24")


def test_a_trainer_in_shared_terms() -> None:
    # A published sample, vector ibd-04: 24.60 km/h, 46 rpm, 79 W.
    got = decode("2AD2", bytes.fromhex("44029c095c004f0050"))
    assert got.speed_mps == pytest.approx(24.6 / 3.6)
    assert got == Reading(item="2AD2", power_w=79.0, cadence_rpm=46.0, speed_mps=got.speed_mps)


def test_resistance_of_one_octet_is_read_when_the_length_says_so() -> None:
    # Vector ibd-09 with the u8 of the present standard: power keeps its place.
    short = IndoorBikeData.from_bytes(bytes.fromhex("6400c409b4001efa00"))
    assert (short.resistance_raw, short.resistance_is_u8, short.power_w) == (30, True, 250)
    wide = IndoorBikeData.from_bytes(bytes.fromhex("6400c409b4001e00fa00"))
    assert (wide.resistance_raw, wide.resistance_is_u8, wide.power_w) == (30, False, 250)
    with pytest.raises(DecodeError, match="power_w"):
        IndoorBikeData.from_bytes(bytes.fromhex("6400c409b4001e00"))


def test_one_octet_short_without_a_resistance_is_cut_off() -> None:
    with pytest.raises(DecodeError, match="power_w at octet 6 of 4400c409b400c8"):
        decode("2AD2", bytes.fromhex("4400c409b400c8"))


@pytest.mark.parametrize("channel", ["2A66", "2A55", "2AD9"])
def test_a_control_point_that_does_not_answer_is_refused(channel: str) -> None:
    with pytest.raises(DecodeError, match=r"not an answer.*response code at octet 0"):
        decode(channel, bytes.fromhex("050101"))


@pytest.mark.parametrize("channel", ["", "2A37", "2a63", "ant", "ant120", "ant1111", "ant11x"])
def test_a_channel_without_a_decoder_is_named(channel: str) -> None:
    with pytest.raises(DecodeError, match=rf"no decoder for this channel \({channel}\)"):
        decode(channel, b"\0" * 8)


@pytest.mark.parametrize(
    ("packet", "field"),
    [
        (Measurement(power_w=32768), "power_w"),
        (Measurement(power_w=0, balance_half_percent=256), "balance_half_percent"),
        (Measurement(power_w=0, crank_revs=1), "crank_event_1024ths"),
        (Measurement(power_w=0, wheel_event_2048ths=1), "wheel_revs"),
        (Measurement(power_w=0, max_angle_deg=10), "max_angle_deg and min_angle_deg"),
        (Measurement(power_w=0, max_angle_deg=4096, min_angle_deg=0), "max_angle_deg and min_angle_deg"),
        (Vector(crank_revs=1), "crank_event_1024ths"),
        (Vector(forces_n=(1,), torques_32nds=(1,)), "forces_n and torques_32nds"),
        (Vector(forces_n=(40000,)), "forces_n"),
        (csc.Measurement(crank_revs=65536, crank_event_1024ths=0), "crank_revs"),
        (IndoorBikeData(energy_kcal_raw=1), "energy_kcal_per_h_raw"),
        (IndoorBikeData(distance_m=1 << 24), "distance_m"),
        (IndoorBikeData(resistance_raw=256, resistance_is_u8=True), "resistance_raw"),
        (cycling_power.Request(0x04), "crank_length_half_mm"),
        (cycling_power.Request(0x05, 1), "value"),
        (cycling_power.Response(0x05, 1), "crank_length_mm"),
        (cycling_power.Response(0x04, 1, value=3), "value"),
        (csc.Request(0x01), "wheel_revs"),
        (csc.Request(0x02, 1), "value"),
        (fitness_machine.Request(0x05, 40000), "target_power_w"),
        (fitness_machine.Request(0x07, 1), "value"),
        (fitness_machine.Request(0x11), "simulation"),
        (fitness_machine.Request(0x11, simulation=Simulation(0, 40000, 0, 0)), "simulation"),
        (fitness_machine.Status(0x04, 1), "value"),
        (device_information.SystemId(b"", b""), "system id"),
    ],
)
def test_what_can_not_be_sent_is_named(packet: object, field: str) -> None:
    with pytest.raises(ValueError, match=f"^{field}: "):
        bytes(packet)  # type: ignore[call-overload]


U8, U12, U16, U24, U32 = (st.integers(0, 2**bits - 1) for bits in (8, 12, 16, 24, 32))
S16 = st.integers(-(2**15), 2**15 - 1)
RESERVED_3 = st.integers(0, 7).map(lambda bits: bits << 13)
REST = st.binary(max_size=5)


def together(**fields: st.SearchStrategy[int]) -> st.SearchStrategy[dict[str, int]]:
    """Fields that one flag announces: all of them or none."""
    return st.one_of(st.just({}), st.fixed_dictionaries(fields))


def record(*groups: st.SearchStrategy[dict[str, Any]]) -> st.SearchStrategy[dict[str, Any]]:
    return st.tuples(*groups).map(
        lambda parts: {name: value for part in parts for name, value in part.items()}
    )


MEASUREMENTS = record(
    st.fixed_dictionaries(
        {
            "power_w": S16,
            "balance_is_left": st.booleans(),
            "torque_at_crank": st.booleans(),
            "offset_indicator": st.booleans(),
            "reserved_flags": RESERVED_3,
            "rest": REST,
        }
    ),
    together(balance_half_percent=U8),
    together(torque_sum_32nds=U16),
    together(wheel_revs=U32, wheel_event_2048ths=U16),
    together(crank_revs=U16, crank_event_1024ths=U16),
    together(max_force_n=S16, min_force_n=S16),
    together(max_torque_32nds=S16, min_torque_32nds=S16),
    together(max_angle_deg=U12, min_angle_deg=U12),
    together(top_dead_spot_deg=U16),
    together(bottom_dead_spot_deg=U16),
    together(energy_kj=U16),
).map(lambda fields: Measurement(**fields))

BIKES = record(
    st.fixed_dictionaries({"reserved_flags": RESERVED_3, "rest": REST}),
    together(speed_hundredths_kmh=U16),
    together(average_speed_hundredths_kmh=U16),
    together(cadence_half_rpm=U16),
    together(average_cadence_half_rpm=U16),
    together(distance_m=U24),
    together(resistance_raw=S16),
    together(power_w=S16),
    together(average_power_w=S16),
    together(energy_kcal_raw=U16, energy_kcal_per_h_raw=U16, energy_kcal_per_min_raw=U8),
    together(heart_rate_bpm=U8),
    together(metabolic_equivalent_tenths=U8),
    together(elapsed_s=U16),
    together(remaining_s=U16),
).map(lambda fields: IndoorBikeData(**fields))


@given(MEASUREMENTS)
def test_a_measurement_comes_back_as_it_was(packet: Measurement) -> None:
    assert Measurement.from_bytes(bytes(packet)) == packet


@given(BIKES)
def test_bike_data_comes_back_as_it_was(packet: IndoorBikeData) -> None:
    assert IndoorBikeData.from_bytes(bytes(packet)) == packet
    assert packet.more_data == (packet.flags & 1 == 1)


@given(BIKES, U8)
def test_bike_data_with_a_short_resistance_comes_back_as_it_was(packet: IndoorBikeData, level: int) -> None:
    # Octets after the last field would make the record as long as one with the wide level.
    fields = {name: getattr(packet, name) for name in packet.__struct_fields__}
    short = IndoorBikeData(**fields | {"resistance_raw": level, "resistance_is_u8": True, "rest": b""})
    assert IndoorBikeData.from_bytes(bytes(short)) == short


@given(
    record(
        st.fixed_dictionaries(
            {"reserved_flags": st.integers(0, 63).map(lambda bits: bits << 2), "rest": REST}
        ),
        together(wheel_revs=U32, wheel_event_1024ths=U16),
        together(crank_revs=U16, crank_event_1024ths=U16),
    )
)
def test_a_speed_and_cadence_measurement_comes_back_as_it_was(fields: dict[str, Any]) -> None:
    packet = csc.Measurement(**fields)
    assert csc.Measurement.from_bytes(bytes(packet)) == packet


@given(
    record(
        st.fixed_dictionaries(
            {"direction": st.integers(0, 3), "reserved_flags": st.integers(0, 3).map(lambda bits: bits << 6)}
        ),
        together(crank_revs=U16, crank_event_1024ths=U16),
        together(first_angle_deg=U16),
        st.one_of(
            st.just({}),
            st.fixed_dictionaries({"forces_n": st.lists(S16, max_size=8).map(tuple)}),
            st.fixed_dictionaries({"torques_32nds": st.lists(S16, max_size=8).map(tuple)}),
        ),
    )
)
def test_a_vector_comes_back_as_it_was(fields: dict[str, Any]) -> None:
    packet = Vector(**fields)
    assert Vector.from_bytes(bytes(packet)) == packet


# Common practice, no source: a record longer than a notification comes in parts, the speed in the last.
GROUPS = (
    ("speed_hundredths_kmh",),
    ("average_speed_hundredths_kmh",),
    ("cadence_half_rpm",),
    ("average_cadence_half_rpm",),
    ("distance_m",),
    ("resistance_raw",),
    ("power_w",),
    ("average_power_w",),
    ("energy_kcal_raw", "energy_kcal_per_h_raw", "energy_kcal_per_min_raw"),
    ("heart_rate_bpm",),
    ("metabolic_equivalent_tenths",),
    ("elapsed_s",),
    ("remaining_s",),
)


@given(BIKES, st.lists(st.integers(0, 2), min_size=len(GROUPS), max_size=len(GROUPS)))
def test_a_record_in_parts_is_made_whole(packet: IndoorBikeData, parts: list[int]) -> None:
    whole = IndoorBikeData(
        **{name: getattr(packet, name) for group in GROUPS for name in group},
        reserved_flags=packet.reserved_flags,
    )
    split = [
        IndoorBikeData(
            **{
                name: getattr(packet, name)
                for group, part in zip(GROUPS, [2, *parts[1:]], strict=True)
                if part == number
                for name in group
            },
            reserved_flags=packet.reserved_flags,
        )
        for number in range(3)
    ]
    heard = [IndoorBikeData.from_bytes(bytes(part)) for part in split]
    assert [part.more_data for part in heard[:2]] == [True, True]
    assert IndoorBikeData.merge(heard) == whole


def test_what_a_later_part_tells_counts() -> None:
    first = IndoorBikeData(power_w=200, resistance_raw=3, resistance_is_u8=True, rest=b"a")
    last = IndoorBikeData(speed_hundredths_kmh=2500, power_w=210, rest=b"b")
    assert IndoorBikeData.merge([first, last]) == IndoorBikeData(
        speed_hundredths_kmh=2500, power_w=210, resistance_raw=3, resistance_is_u8=True, rest=b"ab"
    )


def test_octets_of_any_kind_are_taken_and_kept_unchanged() -> None:
    # A radio library may hand over a bytearray and write into it again.
    buffer = bytearray.fromhex("2000640000000000aabb")
    packet = Measurement.from_bytes(buffer)  # type: ignore[arg-type]
    buffer[-1] = 0
    assert type(packet.rest) is bytes
    assert packet.rest == b"\xaa\xbb"


def test_the_table_names_each_packet_by_its_channel() -> None:
    shortest = {
        "2A63": 4,
        "2A65": 4,
        "2AD2": 4,
        "2ACC": 8,
        "2AD8": 6,
        "2AD6": 6,
        "2A50": 7,
        "2A23": 8,
        "2A5C": 2,
        "ride": 25,
    }
    answers = {"2A66": 0x20, "2A55": 0x10, "2AD9": 0x80}
    for channel in CODECS:
        data = bytes([answers[channel], 0x77, 1]) if channel in answers else bytes(shortest.get(channel, 1))
        assert decode(channel, data).item == channel
    for channel in device_information.TEXTS:
        assert decode(channel, b"x").item == channel
