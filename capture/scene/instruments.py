"""Virtual instruments on the air: what they send, when it arrives, how they answer.

A Bluetooth instrument is connected and notifies; its packets wait for the next connection
event, sometimes for a later one, and keep their order. An ANT+ instrument broadcasts its
present page in fixed slots of its own clock, and a missed slot is missed.
All bytes come from the encoders in `capture.profiles`.
"""

import math
import random
from collections import deque
from collections.abc import Callable, Mapping
from typing import Protocol

from capture.profiles import (
    ant_common,
    ant_power,
    ant_speed_cadence,
    ant_trainer,
    cycling_power,
    device_information,
    fitness_machine,
    speed_cadence,
)
from capture.record import Link, LinkState, Packet, Record, Reported
from capture.sample import DecodeError
from capture.scene.definition import POWER_KINDS, SIDED_KINDS, WHEEL_KINDS, Instrument, SceneDefinition
from capture.scene.manners import FIRST_OFFSET_SLOT, OFFSET_EVERY, frequency_page, offset_page
from capture.scene.rider import Rider
from capture.scene.sending import VectorSender, effectiveness_page, stroke_page, with_extremes
from capture.scene.sensing import CrankSensor, Faults, RevolutionSensor, Sensor, WheelSensor

PROFILES: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(POWER_KINDS, ("cycling-power",)),
    "trainer": ("fitness-machine", "cycling-power"),
    "cadence": ("speed-cadence",),
    "speed-cadence": ("speed-cadence",),
}
"""What a kind of instrument speaks over Bluetooth; its main profile first."""

_LOCATIONS = {"pedals": 7, "crank": 5, "single-sided": 5, "spider": 15, "hub": 13, "trainer": 13}
_IDLE_S = 1.0
_ZERO_S = 1.0
_NEVER_NS = 1 << 62
_ANSWER_S = 0.15
_SEARCH_SLOTS = 8  # a receiver that tracks gives up after 2 s of misses (public ANT forum)
_ANT_LOSS_PERCENT = 0.5
_COMMON_EVERY = 60
_ANSWER_REPEATS = 4
_MANUFACTURER = 255  # the number for development
_HALF_THE_PEAK_RAW = 100  # 0.5 %: where the peak phase of the stroke begins and ends


class Stage(Protocol):
    """What an instrument needs of the scene around it. Times are seconds of session time."""

    def at(self, t_s: float, action: Callable[[float], None]) -> None:
        """Run `action` at `t_s`."""

    def emit(self, record: Record) -> None:
        """Give out a record at its own time, which is not before the present."""


def make_sensor(
    definition: Instrument, scene: SceneDefinition, rider: Rider, chance: random.Random
) -> CrankSensor | WheelSensor | RevolutionSensor:
    """The sensor of an instrument."""
    if definition.kind in WHEEL_KINDS:
        return WheelSensor(definition, rider, chance, scene.crank_length_mm, scene.wheel_mm)
    if definition.kind in POWER_KINDS:
        return CrankSensor(definition, rider, chance, scene.crank_length_mm)
    return RevolutionSensor(definition, rider, chance, scene.crank_length_mm)


class VirtualInstrument:
    """What both radios share.

    Args:
        label: label of the records.
        scene_label: the instrument's label in the scene.
        profiles: what is listened to.
    """

    def __init__(
        self,
        label: str,
        scene_label: str,
        profiles: tuple[str, ...],
        scene: SceneDefinition,
        rider: Rider,
        stage: Stage,
    ) -> None:
        definition = scene.instrument[scene_label]
        self.label, self.profiles = label, profiles
        self.definition, self.rider, self.stage = definition, rider, stage
        self.name = definition.name or f"scene {scene_label}"
        self.address = f"scene:{scene_label}"
        self.sensor = make_sensor(
            definition, scene, rider, random.Random(f"{scene.seed} {scene_label} sensor")
        )
        self.air = random.Random(f"{scene.seed} {scene_label} air")
        self.faults = Faults(definition.faults)
        self.up = False
        self.zeroing = False
        self.auto_zero = definition.auto_zero
        default_loss = _ANT_LOSS_PERCENT if definition.radio == "ant" else 0.0
        loss = default_loss if definition.loss_percent is None else definition.loss_percent
        self.loss = loss / 100.0

    def start(self) -> None:
        """Begin at session time 0."""
        raise NotImplementedError

    def write(self, t_s: float, channel: str, data: bytes) -> str:
        """Bytes from the operator's side; `sent`, or why not."""
        raise NotImplementedError

    def link(self, t_s: float, state: LinkState, reason: str = "") -> None:
        """Tell a change of the link."""
        self.up = state == "up"
        self.stage.emit(Link(_ns(t_s), self.label, state, reason))

    def tell(self, t_s: float) -> None:
        """Tell what the radio knows of the instrument."""
        description = {"name": self.name, "address": self.address, "rssi_dbm": str(self.definition.rssi_dbm)}
        for key, value in description.items():
            self.stage.emit(Reported(_ns(t_s), self.label, key, value))

    def zero_succeeds(self, t_s: float) -> bool:
        """What a zeroing at this time comes to."""
        zero = self.definition.zero
        return zero == "success" or (zero == "when-still" and self.rider.crank_rate(t_s) == 0.0)

    def hold(self, target_w: float | None) -> None:
        """Have the trainer hold a power: such that it itself measures the target; None: none."""
        if target_w is None:
            self.rider.hold(None)
            return
        loss_w, loss_share = self.rider.loss
        self.rider.hold((target_w / self.definition.gain + loss_w) / (1.0 - loss_share))


def _ns(t_s: float) -> int:
    return round(t_s * 1e9)


# -- Bluetooth --------------------------------------------------------------------------


class BluetoothInstrument(VirtualInstrument):
    """An instrument that is connected and notifies."""

    def start(self) -> None:
        """Begin at session time 0: it is found and connected within half a second."""
        self._interval_s = self.definition.interval_ms / 1000.0
        self._latency_s = self.definition.latency_ms / 1000.0
        self._retransmit = self.definition.retransmit_percent / 100.0
        self._anchor_s = self.air.uniform(0.0, self._interval_s)
        self._last_event = 0
        self._last_ns = 0
        self._next_loss_ns = _NEVER_NS
        self._torque_base_nm = 0.0
        self._sent_events = -1
        self._sent_s = -math.inf
        self._controlled = False
        sensor = self.sensor
        self._by_time = not isinstance(sensor, CrankSensor) or sensor.by_time
        self._send_s = 1.0 / self.definition.rate_hz / sensor.clock.rate
        self._encoders = {
            "cycling-power": (
                "2A63",
                self._wheel_power if isinstance(sensor, WheelSensor) else self._crank_power,
            ),
            "fitness-machine": ("2AD2", self._bike_data),
            "speed-cadence": ("2A5B", self._revolutions),
        }
        self.link(0.0, "searching")
        self.tell(0.05)
        self.link(0.1, "connecting")
        self.up = False
        for fault in self.definition.faults:
            if fault.fault == "dropout":
                self.stage.at(fault.at, self._lose)
                if fault.until is not None:
                    self.stage.at(fault.until, self._connect)
            elif fault.fault == "battery-low":
                self.stage.at(fault.at, self._tell_battery)
                if fault.until is not None:
                    self.stage.at(fault.until, self._tell_battery)
        self.stage.at(0.2 + 0.3 * self.air.random(), self._connect)
        self.stage.at(self._send_s * (0.2 + 0.8 * self.air.random()), self._step)
        if self.definition.vector_hz and isinstance(sensor, CrankSensor) and "cycling-power" in self.profiles:
            self._vector = VectorSender(sensor, self._vector_goes)
            self.stage.at(1.0, self._sample)

    def _sample(self, t_s: float) -> None:
        """One torque of a vector."""
        self.stage.at(t_s + 1.0 / self.definition.vector_hz, self._sample)
        self._vector.sample(t_s)

    def _vector_goes(self, t_s: float, data: bytes) -> None:
        state = self.faults.at(t_s)
        if self.up and not state.silent and not state.off_air:
            self._deliver(t_s, "2A64", data)

    # -- link

    def _connect(self, t_s: float) -> None:
        if self.faults.at(t_s).off_air:
            return
        if t_s > 1.0:
            self.link(t_s, "connecting")
        self.link(t_s, "up")
        self._last_ns = _ns(t_s)
        losses = [fault.at for fault in self.definition.faults if fault.fault == "dropout" and fault.at > t_s]
        self._next_loss_ns = _ns(min(losses)) if losses else _NEVER_NS
        # A connection starts the accumulated torque at zero (as published headers of stacks tell).
        self.sensor.advance(t_s)
        if not isinstance(self.sensor, RevolutionSensor):
            self._torque_base_nm = self.sensor.rev_torque_nm
        self._controlled = False
        for number, (channel, data) in enumerate(self._readable()):
            self._deliver(t_s + 0.02 * (number + 1), channel, data)
        self.stage.at(t_s + 0.5, self._tell_battery)

    def _lose(self, t_s: float) -> None:
        self.faults.at(t_s)
        self.link(t_s, "down", "the connection broke: out of range, asleep, or switched off")
        self.stage.emit(Link(_ns(t_s + 0.5), self.label, "searching"))
        if "fitness-machine" in self.profiles and self._controlled:
            self.hold(None)

    def _readable(self) -> list[tuple[str, bytes]]:
        definition = self.definition
        texts = {
            "2A29": "scene",
            "2A24": definition.kind,
            "2A25": str(definition.serial),
            "2A26": definition.firmware,
            "2A27": definition.hardware,
        }
        values = [(c, bytes(device_information.Text(text.encode()))) for c, text in texts.items()]
        if "cycling-power" in self.profiles:
            values.append(("2A65", bytes(cycling_power.Feature(self._power_features()))))
            values.append(("2A5D", bytes(cycling_power.Location(_LOCATIONS[definition.kind]))))
        if "fitness-machine" in self.profiles:
            machine = _bits(fitness_machine.MACHINE_FEATURES, "cadence", "power")
            targets = _bits(fitness_machine.TARGETS, "power", "simulation")
            values.append(("2ACC", bytes(fitness_machine.FitnessMachineFeature(machine, targets))))
            values.append(("2AD8", bytes(fitness_machine.PowerRange(0, definition.max_target_w, 1))))
        if "speed-cadence" in self.profiles:
            counts = ["crank_revolutions"]
            if definition.kind == "speed-cadence":
                counts.append("wheel_revolutions")
            values.append(("2A5C", bytes(speed_cadence.Feature(_bits(speed_cadence.FEATURES, *counts)))))
        return values

    def _power_features(self) -> int:
        definition = self.definition
        names = ["offset_compensation"]
        if definition.kind in SIDED_KINDS and definition.balance:
            names.append("balance")
        if definition.revolutions:
            names.append("wheel_revolutions" if definition.kind in WHEEL_KINDS else "crank_revolutions")
            if definition.torque and not definition.half_turns:
                names.append("accumulated_torque")
        if definition.kind not in WHEEL_KINDS:
            names.append("crank_length_adjustable")
        if definition.extremes:
            names += ["extreme_magnitudes", "extreme_angles", "dead_spot_angles"]
        return _bits(cycling_power.FEATURES, *names) | 1 << 16

    def _tell_battery(self, t_s: float) -> None:
        low = self.faults.at(t_s).battery_percent
        percent = self.definition.battery_percent if low is None else low
        self._deliver(t_s, "2A19", bytes(device_information.BatteryLevel(round(percent))))

    # -- sending

    def _deliver(self, t_s: float, channel: str, data: bytes) -> None:
        """Put bytes on the air at `t_s`; they arrive with a connection event, if the link stands by then."""
        if self.loss and self.air.random() < self.loss:
            return
        event = math.ceil((t_s + self._latency_s - self._anchor_s) / self._interval_s)
        while self.air.random() < self._retransmit:
            event += 1
        event = max(event, self._last_event)
        self._last_event = event
        arrival_s = self._anchor_s + event * self._interval_s + self.air.expovariate(1.0 / 0.002)
        t_ns = max(_ns(arrival_s), self._last_ns)
        self._last_ns = t_ns
        if self.up and t_ns < self._next_loss_ns:
            self.stage.emit(Packet(t_ns, self.label, channel, data))

    def _step(self, t_s: float) -> None:
        """Notify if there is something to tell; then look again when there will be."""
        sensor = self.sensor
        sensor.advance(t_s)
        state = self.faults.at(t_s)
        on_air = self.up and not state.silent and not state.off_air and not sensor.asleep(t_s)
        if self._by_time:
            if on_air:
                self._notify(t_s)
            self.stage.at(self._next_send_s(t_s), self._step)
            return
        assert isinstance(sensor, CrankSensor)
        if sensor.counted != self._sent_events or t_s - self._sent_s >= _IDLE_S:
            self._sent_events, self._sent_s = sensor.counted, t_s
            if on_air:
                self._notify(t_s)
        following = sensor.next_event_s(t_s)
        wait_s = 0.25 if following is None else min(max(following - t_s + 1e-4, 0.01), 0.6)
        self.stage.at(t_s + wait_s, self._step)

    def _next_send_s(self, t_s: float) -> float:
        """A moment after the next measurement; a sensor that only counts sends what it has."""
        if isinstance(self.sensor, RevolutionSensor):
            return t_s + self._send_s
        return self.sensor.next_interval_s + self.definition.delay_s + 0.004

    def _notify(self, t_s: float) -> None:
        for profile in self.profiles:
            channel, encode = self._encoders[profile]
            self._deliver(t_s, channel, encode(t_s))

    def _crank_power(self, t_s: float) -> bytes:
        sensor, definition = self.sensor, self.definition
        assert isinstance(sensor, CrankSensor)
        balance = torque = revs = ticks = None
        if definition.kind in SIDED_KINDS and definition.balance:
            balance = round(200.0 * sensor.left_share)
        if definition.revolutions:
            revs, ticks = sensor.crank_revs & 0xFFFF, int(sensor.crank_x * 1024.0) & 0xFFFF
            if definition.torque and not definition.half_turns:
                torque = round(32.0 * (sensor.rev_torque_nm - self._torque_base_nm)) & 0xFFFF
        measurement = cycling_power.Measurement(
            round(sensor.power_w(t_s)),
            balance,
            torque,
            crank_revs=revs,
            crank_event_1024ths=ticks,
            balance_is_left=balance is not None,
            torque_at_crank=torque is not None,
        )
        if definition.extremes and sensor.turning(t_s):
            measurement = with_extremes(measurement, sensor, t_s)
        return bytes(measurement)

    def _wheel_power(self, t_s: float) -> bytes:
        sensor, definition = self.sensor, self.definition
        assert isinstance(sensor, WheelSensor)
        torque = revs = ticks = None
        if definition.revolutions:
            revs, ticks = sensor.wheel_revs & 0xFFFFFFFF, int(sensor.wheel_x * 2048.0) & 0xFFFF
            if definition.torque:
                torque = round(32.0 * (sensor.rev_torque_nm - self._torque_base_nm)) & 0xFFFF
        power_w = round(sensor.power_w(t_s))
        return bytes(cycling_power.Measurement(power_w, None, torque, revs, ticks))

    def _bike_data(self, t_s: float) -> bytes:
        sensor = self.sensor
        assert isinstance(sensor, WheelSensor)
        return bytes(
            fitness_machine.IndoorBikeData(
                speed_hundredths_kmh=round(sensor.speed_mps(t_s) * 360.0),
                cadence_half_rpm=round(sensor.interval_cadence_rpm * 2.0),
                power_w=round(sensor.power_w(t_s)),
            )
        )

    def _revolutions(self, t_s: float) -> bytes:
        sensor = self.sensor
        assert isinstance(sensor, RevolutionSensor)
        wheel = wheel_ticks = None
        if self.definition.kind == "speed-cadence":
            wheel, wheel_ticks = sensor.wheel_revs & 0xFFFFFFFF, int(sensor.wheel_x * 1024.0) & 0xFFFF
        crank_ticks = int(sensor.crank_x * 1024.0) & 0xFFFF
        return bytes(speed_cadence.Measurement(wheel, wheel_ticks, sensor.crank_revs & 0xFFFF, crank_ticks))

    # -- control points

    def write(self, t_s: float, channel: str, data: bytes) -> str:
        """A write to a characteristic; answers are indications that come as packets."""
        if not self.up:
            return "not connected now"
        if channel == "2A66" and "cycling-power" in self.profiles:
            return self._power_control(t_s, data)
        if channel == "2AD9" and "fitness-machine" in self.profiles:
            return self._machine_control(t_s, data)
        return f"the instrument has no characteristic {channel}"

    def _answer(self, t_s: float, channel: str, data: bytes) -> None:
        self.stage.at(t_s, lambda now_s: self._deliver(now_s, channel, data))

    def _power_control(self, t_s: float, data: bytes) -> str:
        if not data:
            return "it wants another number of octets"
        if self.zeroing:
            return "busy: wait for the answer to the request before"
        op = data[0]
        soon_s = t_s + _ANSWER_S

        def answer(result: int, value: int | None = None) -> str:
            self._answer(soon_s, "2A66", bytes(cycling_power.Response(op, result, value)))
            return "sent"

        try:
            request = cycling_power.Request.from_bytes(data)
        except DecodeError:
            return answer(3)
        adjustable = self.definition.kind not in WHEEL_KINDS
        if op in (cycling_power.START_OFFSET_COMPENSATION, cycling_power.START_ENHANCED_OFFSET_COMPENSATION):
            self.zeroing = True
            self.stage.at(t_s + _ZERO_S, lambda now_s: self._zero(now_s, op))
            return "sent"
        if op == cycling_power.SET_CRANK_LENGTH and adjustable:
            assert request.value is not None
            if not 220 <= request.value <= 473:
                return answer(3)
            self.sensor.set_mm = request.value / 2.0
            return answer(cycling_power.SUCCESS)
        if op == cycling_power.REQUEST_CRANK_LENGTH and adjustable:
            return answer(cycling_power.SUCCESS, round(self.sensor.set_mm * 2.0))
        return answer(2)

    def _zero(self, t_s: float, op: int) -> None:
        self.zeroing = False
        sensor = self.sensor
        assert not isinstance(sensor, RevolutionSensor)
        if not self.zero_succeeds(t_s):
            response = cycling_power.Response(op, cycling_power.OPERATION_FAILED)
        else:
            raw = max(-32767, min(32767, round(32.0 * sensor.zero())))
            # 0xFFFF, -1, would mean "not available".
            response = cycling_power.Response(op, cycling_power.SUCCESS, -2 if raw == -1 else raw)
        self._deliver(t_s, "2A66", bytes(response))

    def _machine_control(self, t_s: float, data: bytes) -> str:
        if not data:
            return "it wants another number of octets"
        op = data[0]
        try:
            result = self._obey(t_s, fitness_machine.Request.from_bytes(data))
        except DecodeError:
            result = 3
        self._answer(t_s + _ANSWER_S, "2AD9", bytes(fitness_machine.Response(op, result)))
        return "sent"

    def _obey(self, t_s: float, request: fitness_machine.Request) -> int:
        op = request.op
        if op == fitness_machine.REQUEST_CONTROL:
            self._controlled = True
            return fitness_machine.SUCCESS
        if not self._controlled:
            return fitness_machine.CONTROL_NOT_PERMITTED
        status: fitness_machine.Status | None = None
        if op == fitness_machine.SET_POWER:
            assert request.value is not None
            if not 0 <= request.value <= self.definition.max_target_w:
                return 3
            self.hold(float(request.value))
            status = fitness_machine.Status(0x08, request.value)
        elif op == fitness_machine.SET_SIMULATION:
            self.hold(None)
            status = fitness_machine.Status(0x12, simulation=request.simulation)
        elif op == fitness_machine.RESET:
            self.hold(None)
            self._controlled = False
            status = fitness_machine.Status(0x01)
        elif op == fitness_machine.STOP_OR_PAUSE:
            self.hold(None)
            status = fitness_machine.Status(0x02, request.value)
        elif op == fitness_machine.START_OR_RESUME:
            status = fitness_machine.Status(0x04)
        else:
            return 2
        self._answer(t_s + 2.0 * _ANSWER_S, "2ADA", bytes(status))
        return fitness_machine.SUCCESS


def _bits(numbers: Mapping[str, int], *names: str) -> int:
    return sum(1 << numbers[name] for name in names)


# -- ANT+ -------------------------------------------------------------------------------


class AntInstrument(VirtualInstrument):
    """An instrument that broadcasts a page in each of its slots."""

    def start(self) -> None:
        """Begin at session time 0: a receiver searches and hears it within half a second."""
        kind = self.definition.kind
        if kind in ("cadence", "speed-cadence"):
            self.device_type = ant_common.CADENCE if kind == "cadence" else ant_common.SPEED_CADENCE
        elif kind == "trainer" and "fitness-machine" in self.profiles:
            self.device_type = ant_common.TRAINER
        else:
            self.device_type = ant_common.POWER
        self.channel = f"ant{self.device_type}"
        ticks = ant_common.PERIOD_TICKS[self.device_type]
        self._slot_s = ticks / 32768.0 / self.sensor.clock.rate
        self._slot = 0
        self._missed = 0
        self._last_ns = 0
        self._commands = 0
        self._last_command = (0xFF, 0xFF, b"\xff\xff\xff\xff")
        self._queue: deque[bytes] = deque()
        self._dynamics_sent = 0
        self._turn = self._turns()
        self.link(0.0, "searching")
        self.stage.at(0.1 + self._slot_s * self.air.random(), self._step)

    def _turns(self) -> tuple[Callable[[float], bytes], ...]:
        definition, sensor = self.definition, self.sensor
        if isinstance(sensor, RevolutionSensor):
            return (self._both,) if definition.kind == "speed-cadence" else (self._cadence,)
        if self.device_type == ant_common.TRAINER:
            return (self._trainer, self._general)
        if isinstance(sensor, WheelSensor):
            return (self._wheel_torque, self._power) if definition.torque else (self._power,)
        if definition.torque_frequency:
            return (self._frequency,)
        if not definition.torque or definition.half_turns:
            pages: tuple[Callable[[float], bytes], ...] = (self._power,) * 4
        else:
            pages = (self._crank_torque, self._power) * 2
        if definition.kind in SIDED_KINDS:
            last = (self._effectiveness, self._power)
            if definition.stroke_pages:
                return (*pages[:2], self._dynamics, self._power, *last)
            return (*pages, *pages[:2], *last)
        return pages

    def _dynamics(self, t_s: float) -> bytes:
        assert isinstance(self.sensor, CrankSensor)
        self._dynamics_sent += 1
        return stroke_page(self._dynamics_sent, self.sensor, t_s)

    # -- slots

    def _step(self, t_s: float) -> None:
        self.stage.at(t_s + self._slot_s, self._step)
        self.sensor.advance(t_s)
        state = self.faults.at(t_s)
        page = self._page(t_s)
        if state.silent:
            return
        arrival_s = t_s + 0.002 + self.air.expovariate(1.0 / 0.001)
        lost = self.air.random() < self.loss
        if state.off_air or lost or self.sensor.asleep(t_s):
            self._miss(arrival_s)
            return
        self._missed = 0
        t_ns = max(_ns(arrival_s), self._last_ns)
        self._last_ns = t_ns
        if not self.up:
            self.link(t_ns * 1e-9, "up")
            self.tell(t_ns * 1e-9)
        self.stage.emit(Packet(t_ns, self.label, self.channel, page))

    def _miss(self, t_s: float) -> None:
        if not self.up:
            return
        self._missed += 1
        if self._missed < _SEARCH_SLOTS:
            self.stage.emit(Link(_ns(t_s), self.label, "missed"))
            return
        self.link(t_s, "down", "no message for 2 s")
        self.stage.emit(Link(_ns(t_s), self.label, "searching"))

    def _page(self, t_s: float) -> bytes:
        self._slot += 1
        if isinstance(self.sensor, RevolutionSensor):
            return self._turn[0](t_s)
        if self._queue:
            return self._queue.popleft()
        slot = self._slot
        if self.definition.torque_frequency:
            # Such sensors send no common pages (a public forum tells so).
            first = slot == FIRST_OFFSET_SLOT or slot % OFFSET_EVERY == 0
            return offset_page() if first else self._frequency(t_s)
        if 2 <= slot < 2 + len(self._commons()):
            return self._common(self._commons()[slot - 2], t_s)
        if slot % _COMMON_EVERY == 0:
            return self._common(self._commons()[slot // _COMMON_EVERY % len(self._commons())], t_s)
        return self._turn[slot % len(self._turn)](t_s)

    def _commons(self) -> tuple[int, ...]:
        has_length = self.device_type == ant_common.POWER and self.definition.kind not in WHEEL_KINDS
        return (0x50, 0x51, 0x52, 0x02) if has_length else (0x50, 0x51, 0x52)

    def _common(self, number: int, t_s: float) -> bytes:
        definition = self.definition
        if number == 0x50:
            hardware = int(definition.hardware) & 0xFF if definition.hardware.isdigit() else 0
            return bytes(ant_common.Manufacturer(0xFFFF, hardware, _MANUFACTURER, 1))
        if number == 0x51:
            return bytes(ant_common.Product(0xFF, *_revision(definition.firmware), definition.serial))
        if number == 0x52:
            fraction, descriptor = self._battery(t_s)
            minutes = int(t_s / 16.0).to_bytes(3, "little")
            return bytes(ant_common.Battery(0xFF, 0xFF, minutes, fraction, descriptor))
        return self._crank_parameters()

    def _battery(self, t_s: float) -> tuple[int, int]:
        low = self.faults.at(t_s).battery_percent
        percent = self.definition.battery_percent if low is None else low
        volts = 2.4 + 0.6 * percent / 100.0
        status = 5 if percent < 5 else 4 if percent < 20 else 3 if percent < 40 else 2
        return int(volts % 1.0 * 256.0), int(volts) | status << 4

    # -- pages

    def _crank_parameters(self) -> bytes:
        raw = round((self.sensor.set_mm - 110.0) * 2.0)
        sensors = (
            3 if self.definition.kind in SIDED_KINDS else 1 if self.definition.kind == "single-sided" else 0
        )
        return bytes(ant_power.CrankParameters(0x01, 0xFFFF, raw, 2 | 3 << 2 | sensors << 4, 0, 0xFF))

    def _power(self, t_s: float) -> bytes:
        sensor = self.sensor
        assert isinstance(sensor, CrankSensor | WheelSensor)
        pedal, cadence = 0xFF, 0xFF
        if isinstance(sensor, CrankSensor):
            cadence = min(254, round(sensor.cadence_rpm(t_s)))
            if self.definition.kind in SIDED_KINDS and self.definition.balance:
                pedal = 0x80 | round(100.0 * (1.0 - sensor.left_share))
        power_w = min(0xFFFE, max(0, round(sensor.power_w(t_s))))
        return bytes(
            ant_power.PowerOnly(sensor.events & 0xFF, pedal, cadence, sensor.power_sum_w & 0xFFFF, power_w)
        )

    def _crank_torque(self, t_s: float) -> bytes:
        sensor = self.sensor
        assert isinstance(sensor, CrankSensor)
        return bytes(
            ant_power.CrankTorque(
                sensor.events & 0xFF,
                sensor.crank_revs & 0xFF,
                min(254, round(sensor.cadence_rpm(t_s))),
                int(sensor.period_sum_s * 2048.0) & 0xFFFF,
                round(sensor.torque_sum_nm * 32.0) & 0xFFFF,
            )
        )

    def _frequency(self, t_s: float) -> bytes:
        sensor = self.sensor
        assert isinstance(sensor, CrankSensor)
        return frequency_page(sensor.events, sensor.period_sum_s, sensor.torque_ticks)

    def _wheel_torque(self, t_s: float) -> bytes:
        sensor = self.sensor
        assert isinstance(sensor, WheelSensor)
        if self.definition.sync == "time":
            return bytes(
                ant_power.WheelTorque(
                    sensor.events & 0xFF,
                    sensor.wheel_revs & 0xFF,
                    0xFF,
                    int(sensor.timed_period_s * 2048.0) & 0xFFFF,
                    round(sensor.timed_torque_nm * 32.0) & 0xFFFF,
                )
            )
        return bytes(
            ant_power.WheelTorque(
                sensor.wheel_revs & 0xFF,
                sensor.wheel_revs & 0xFF,
                0xFF,
                int(sensor.wheel_x * 2048.0) & 0xFFFF,
                round(sensor.wheel_torque_sum_nm * 32.0) & 0xFFFF,
            )
        )

    def _effectiveness(self, t_s: float) -> bytes:
        assert isinstance(self.sensor, CrankSensor)
        if self.definition.stroke_pages:
            return effectiveness_page(self.sensor, t_s)
        # Torque that never turns negative is 100 % effective; smoothness is mean over peak torque.
        smoothness = round(200.0 / (1.0 + 1.8 * self.rider.ripple))
        return bytes(
            ant_power.TorqueEffectiveness(self.sensor.events & 0xFF, 200, 200, smoothness, smoothness)
        )

    def _trainer(self, t_s: float) -> bytes:
        sensor = self.sensor
        assert isinstance(sensor, WheelSensor)
        power_w = min(0xFFE, max(0, round(sensor.power_w(t_s))))
        state = 3 if self.rider.wheel_rate(t_s) > 0.0 else 2
        return bytes(
            ant_trainer.TrainerData(
                sensor.events & 0xFF,
                min(254, round(sensor.interval_cadence_rpm)),
                sensor.power_sum_w & 0xFFFF,
                power_w & 0xFF,
                power_w >> 8,
                state << 4,
            )
        )

    def _general(self, t_s: float) -> bytes:
        sensor = self.sensor
        assert isinstance(sensor, WheelSensor)
        state = 3 if self.rider.wheel_rate(t_s) > 0.0 else 2
        speed = min(0xFFFE, round(sensor.speed_mps(t_s) * 1000.0))
        return bytes(ant_trainer.General(25, int(t_s * 4.0) & 0xFF, 0, speed, 0xFF, state << 4))

    def _cadence(self, t_s: float) -> bytes:
        sensor = self.sensor
        assert isinstance(sensor, RevolutionSensor)
        number, octets = 0, b"\xff\xff\xff"
        into = self._slot % (4 * _COMMON_EVERY)
        # Four background pages in a row, in turn, a quarter of a minute apart.
        if into % _COMMON_EVERY < 4:
            number, octets = self._background(into // _COMMON_EVERY, t_s)
        toggle = 0x80 if self._slot // 4 % 2 else 0x00
        crank_ticks = int(sensor.crank_x * 1024.0) & 0xFFFF
        page = ant_speed_cadence.RevolutionPage(
            number | toggle, octets, crank_ticks, sensor.crank_revs & 0xFFFF
        )
        return bytes(page)

    def _background(self, turn: int, t_s: float) -> tuple[int, bytes]:
        if turn == 0:
            fraction, descriptor = self._battery(t_s)
            return 4, bytes((0xFF, fraction, descriptor))
        if turn == 1:
            return 2, bytes((_MANUFACTURER, 0, 0))
        if turn == 2:
            _, main = _revision(self.definition.firmware)
            return 3, bytes((2, main, 1))
        return 1, int(t_s / 2.0).to_bytes(3, "little")

    def _both(self, t_s: float) -> bytes:
        sensor = self.sensor
        assert isinstance(sensor, RevolutionSensor)
        return bytes(
            ant_speed_cadence.SpeedCadencePage(
                int(sensor.crank_x * 1024.0) & 0xFFFF,
                sensor.crank_revs & 0xFFFF,
                int(sensor.wheel_x * 1024.0) & 0xFFFF,
                sensor.wheel_revs & 0xFFFF,
            )
        )

    # -- acknowledged messages

    def write(self, t_s: float, channel: str, data: bytes) -> str:
        """An acknowledged message; answers are pages that come as packets."""
        if not self.up:
            return "not connected now"
        if channel != self.channel:
            return f"the instrument is of another type than {channel}"
        if len(data) != ant_common.PAGE_OCTETS:
            return f"an ANT+ message has {ant_common.PAGE_OCTETS} octets, these are {len(data)}"
        if data[0] == ant_common.RequestPage.NUMBER:
            self._requested(t_s, ant_common.RequestPage.from_bytes(data))
        elif self.device_type == ant_common.POWER:
            self._power_message(t_s, data)
        elif self.device_type == ant_common.TRAINER:
            self._trainer_message(t_s, data)
        return "sent"

    def _requested(self, t_s: float, request: ant_common.RequestPage) -> None:
        times = min(max(request.response & 0x7F, 1), 8)
        page: bytes | None = None
        if request.page in self._commons() and (request.page != 0x02 or request.descriptor_1 == 0x01):
            page = self._common(request.page, t_s)
        elif request.page == 0x02 and request.descriptor_1 == 0x02 and self.definition.stroke_pages:
            page = bytes(ant_power.PowerPhaseSettings(threshold_raw=_HALF_THE_PEAK_RAW))
        elif self.device_type == ant_common.TRAINER and request.page == 0x47:
            command, status, octets = self._last_command
            page = bytes(ant_common.CommandStatus(command, self._commands & 0xFF, status, octets))
        elif self.device_type == ant_common.TRAINER and request.page == 0x36:
            page = bytes(ant_trainer.Capabilities(b"\xff" * 4, 0xFFFF, 0b110))
        if page is not None:
            self._queue.extend([page] * times)

    def _power_message(self, t_s: float, data: bytes) -> None:
        if data[0] == 0x01 and data[1] == 0xAA and not self.zeroing:
            self.zeroing = True
            self.stage.at(t_s + _ZERO_S, self._zero)
        elif data[0] == 0x01 and data[1] == 0xAB and self.auto_zero is not None:
            self.auto_zero = data[2] == 1
            self._zero(t_s)
        elif data[0] == 0x02 and data[1] == 0x01 and data[4] < 0xFE and 0x02 in self._commons():
            self.sensor.set_mm = 110.0 + data[4] / 2.0

    def _zero(self, t_s: float) -> None:
        self.zeroing = False
        sensor = self.sensor
        assert not isinstance(sensor, RevolutionSensor)
        done = self.zero_succeeds(t_s)
        raw = max(-32768, min(32767, round(32.0 * sensor.zero()))) if done else -1
        if self.device_type == ant_common.TRAINER:
            flags = 0x40 if done else 0x00
            page = bytes(ant_trainer.Calibration(flags, 0xFF, 0xFF, raw & 0xFFFF, 0xFFFF))
        else:
            status = 0xFF if self.auto_zero is None else int(self.auto_zero)
            if done and self.definition.torque_frequency:
                self._queue.extend([offset_page()] * _ANSWER_REPEATS)
                return
            page = bytes(ant_power.Calibration(0xAC if done else 0xAF, status, b"\xff\xff\xff", raw))
        self._queue.extend([page] * _ANSWER_REPEATS)

    def _trainer_message(self, t_s: float, data: bytes) -> None:
        number = data[0]
        if number == 0x01:
            if data[1] & 0x40 and not self.zeroing:
                self.zeroing = True
                self.stage.at(t_s + _ZERO_S, self._zero)
            return
        status = 0
        if number == ant_trainer.TargetPower.NUMBER:
            target_w = ant_trainer.TargetPower.from_bytes(data).power_w
            if target_w <= self.definition.max_target_w:
                self.hold(target_w)
            else:
                status = 3
        elif number in (ant_trainer.BasicResistance.NUMBER, ant_trainer.TrackResistance.NUMBER):
            self.hold(None)
        elif number != ant_trainer.WindResistance.NUMBER:
            status = 2
        self._commands += 1
        self._last_command = (number, status, data[4:8])


def _revision(firmware: str) -> tuple[int, int]:
    """Supplemental and main revision of page 0x51 for a version such as `1.4`: main / 10."""
    try:
        main = round(float(firmware) * 10.0)
    except ValueError:
        main = 0
    return 0xFF, min(max(main, 0), 254)


def make_instrument(
    label: str,
    scene_label: str,
    profiles: tuple[str, ...],
    scene: SceneDefinition,
    rider: Rider,
    stage: Stage,
) -> VirtualInstrument:
    """The virtual instrument `scene_label` of a scene, whose records carry `label`."""
    radio = scene.instrument[scene_label].radio
    kind = BluetoothInstrument if radio == "bluetooth" else AntInstrument
    return kind(label, scene_label, profiles, scene, rider, stage)


__all__ = ["PROFILES", "Sensor", "Stage", "VirtualInstrument", "make_instrument", "make_sensor"]
