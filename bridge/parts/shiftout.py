"""What all chains that lamps are shifted out to have in common: a register, a latch and a line that blanks."""

from collections.abc import Callable, Mapping

import numpy as np

from bridge.parts.facts import Codes
from bridge.wires.kinds import Line, Spi


class ShiftOut:
    """Drives a chain of so many channels; `encode` turns their codes into its bytes. Dark from the first moment on."""

    def __init__(self, spi: Spi, lines: Mapping[str, Line], channels: int, encode: Callable[[Codes], bytes]) -> None:
        """`lines["blank"]`, if there is one, must be high already: registers hold anything at power-up."""
        self._spi, self._latch, self._blank = spi, lines["latch"], lines.get("blank")
        self._encode = encode
        self._dark: Codes = np.zeros(channels, np.uint16)
        self.write(self._dark)
        if self._blank is not None:
            self._blank.set(False)

    def write(self, codes: Codes) -> None:
        """Show `codes` 0–4095, channel 0 first. Raises OSError when the bus fails."""
        self._spi.transfer(self._encode(codes))
        self._latch.set(True)
        self._latch.set(False)

    def check(self) -> bool:
        """Return False: the register's outputs cannot be read."""
        return False

    def dark(self) -> None:
        """Darken every output, by its line first: that works even when the bus does not."""
        if self._blank is not None:
            self._blank.set(True)
        self.write(self._dark)


class Register:
    """Such a chain as the wires see it: bytes shifted in, latched by an edge, dark while blanked.

    Every output starts lit, the worst that power-up can do, so that a driver that enables the outputs too early is
    seen. Bytes are kept, and decoded only when somebody looks.
    """

    def __init__(self, length: int, decode: Callable[[bytes], Codes]) -> None:
        self._length = length
        self._decode = decode
        self._shifted = self._latched = b"\xff" * length
        self._blanked = True

    def transfer(self, data: bytes) -> bytes:
        """Shift `data` in and return what falls out at the end of the chain, as many bytes."""
        both = self._shifted + data
        self._shifted = both[-self._length :]
        return both[: len(data)]

    def latch(self, level: bool) -> None:
        """Take an edge of the latch line: a rising one moves the register to the outputs."""
        if level:
            self._latched = self._shifted

    def blank(self, level: bool) -> None:
        """Take an edge of the blanking line: high darkens every output."""
        self._blanked = level

    def codes(self) -> Codes:
        """Return what each output shows now, 0–4095, channel 0 first; zeros while blanked."""
        codes = self._decode(self._latched)
        return np.zeros_like(codes) if self._blanked else codes
