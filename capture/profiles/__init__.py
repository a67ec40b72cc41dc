"""Bytes to readings and back, one file per published profile; pure."""

import functools
from collections.abc import Callable, Mapping
from typing import Final, Protocol

from capture.profiles import cycling_power, device_information, fitness_machine, ride_sample, speed_cadence
from capture.sample import DecodeError, Reading


class Codec(Protocol):
    """One kind of packet: bytes to fields and back, and the fields as a reading."""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Codec":
        """Decode; raises nothing but DecodeError."""
        ...

    def __bytes__(self) -> bytes:
        """The octets that were decoded, all of them."""
        ...

    def reading(self) -> Reading:
        """The fields in the terms that all profiles share."""
        ...


CODECS: Final[Mapping[str, type[Codec]]] = {
    "2A63": cycling_power.Measurement,
    "2A64": cycling_power.Vector,
    "2A65": cycling_power.Feature,
    "2A5D": cycling_power.Location,
    "2A66": cycling_power.Response,
    "2A5B": speed_cadence.Measurement,
    "2A5C": speed_cadence.Feature,
    "2A55": speed_cadence.Response,
    "2AD2": fitness_machine.IndoorBikeData,
    "2ACC": fitness_machine.FitnessMachineFeature,
    "2AD8": fitness_machine.PowerRange,
    "2AD6": fitness_machine.ResistanceRange,
    "2AD9": fitness_machine.Response,
    "2ADA": fitness_machine.Status,
    "2A19": device_information.BatteryLevel,
    "2A50": device_information.PnpId,
    "2A23": device_information.SystemId,
    ride_sample.CHANNEL: ride_sample.Sample,
}
"""What an instrument sends, by Bluetooth channel; the texts of device information are beside them.
`ride` is a record of a ride file."""


def decode(channel: str, data: bytes) -> Reading:
    """The reading of one packet, by the channel that a `Packet` names (`2A63`, `ant11`).

    DecodeError if the bytes don't fit the channel, or if the channel has no decoder.
    """
    if (codec := CODECS.get(channel)) is not None:
        return codec.from_bytes(data).reading()
    if channel in device_information.TEXTS:
        return device_information.Text.from_bytes(data).reading(channel)
    if channel.startswith("ant") and (ant := _ant_decoder(channel)) is not None:
        return ant(data)
    raise DecodeError(f"no decoder for this channel ({channel})", "channel", 0, data)


@functools.lru_cache(maxsize=16)
def _ant_decoder(channel: str) -> Callable[[bytes], Reading] | None:
    """The decoder of a device type, loaded when one of its kind is first heard."""
    if channel == "ant11":
        from capture.profiles import ant_power

        return ant_power.decode
    if channel == "ant17":
        from capture.profiles import ant_trainer

        return ant_trainer.decode
    if channel in ("ant121", "ant122", "ant123"):
        from capture.profiles import ant_speed_cadence

        return functools.partial(ant_speed_cadence.decode, int(channel[3:]))
    return None
