"""Manners that are rare among instruments, and right: what a scene's instrument does in its own way.

Half revolutions, a torque that is sent as a frequency, a wheel by time, silence at once where nobody
pedals, a last value that is repeated, a few watts at rest: each is met on some unit, and none is a fault
(common practice, no source).
"""

from capture.profiles import ant_power

SLOPE_HZ_PER_NM, OFFSET_HZ = 25.0, 512.0
"""Of a torque that is sent as a frequency: made up, within what page 0x20 can tell."""
TIME_HZ = 2000.0
"""Of the time in page 0x20."""
FIRST_OFFSET_SLOT, OFFSET_EVERY = 4, 120
"""The zero offset of such a torque is told soon, then each half minute."""


def frequency_page(turns: int, time_s: float, ticks: float) -> bytes:
    """Page 0x20 after so many turns of the crank, at this time of the instrument and count of ticks."""
    return bytes(
        ant_power.CrankTorqueFrequency(
            turns & 0xFF, round(10.0 * SLOPE_HZ_PER_NM), int(time_s * TIME_HZ) & 0xFFFF, int(ticks) & 0xFFFF
        )
    )


def offset_page() -> bytes:
    """Page 0x01 with the zero offset of a torque that is sent as a frequency: big-endian hertz."""
    hertz = int.from_bytes(int(OFFSET_HZ).to_bytes(2, "big"), "little", signed=True)
    return bytes(ant_power.Calibration(0x10, 0x01, b"\xff\xff\xff", hertz))


def ticks_of(torque_nm: float, seconds: float) -> float:
    """How many ticks such an instrument counts in so many seconds at this torque."""
    return (OFFSET_HZ + SLOPE_HZ_PER_NM * torque_nm) * seconds
