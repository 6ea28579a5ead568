"""How much of the board's processor a console will take: an extrapolation, since nothing has been measured on a Pi.

Measured on a two-core x86-64 virtual machine: a scan of 250 times a second without a core took 5 to 10 % of one of
its cores, and 256 filaments written 200 times a second, changing all the time, some 7 % more (`daemon_idle_cpu_percent`
and `daemon_cpu_percent`). A core of a Pi 3B+ is taken for fifteen to twenty times slower, and the others are compared
with that one by clock and kind of core, from memory.
"""

IDLE = (5.0, 10.0)
IDLE_SCANS = 250
LAMPS = (7.0, 6.0)
LAMP_CODES = 256 * 200

SLOWER = (15.0, 20.0)
AGAINST_3B_PLUS = {
    "Raspberry Pi 2B": 1.6,
    "Raspberry Pi 3B": 1.2,
    "Raspberry Pi 3B+": 1.0,
    "Raspberry Pi Zero 2 W": 1.4,
    "Raspberry Pi 4B": 0.45,
    "Raspberry Pi 5": 0.2,
}


def predicted(board: str, lamps: int, frames_hz: int, scans_hz: int) -> tuple[float, float]:
    """Return the lowest and the highest share of one core, in percent, that a console is likely to take on `board`."""
    scans, codes = scans_hz / IDLE_SCANS, lamps * frames_hz / LAMP_CODES
    slower = [factor * AGAINST_3B_PLUS[board] for factor in SLOWER]
    low, high = ((idle * scans + each * codes) * factor for idle, each, factor in zip(IDLE, LAMPS, slower, strict=True))
    return low, high
