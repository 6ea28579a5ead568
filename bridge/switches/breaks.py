"""Where a chain is broken, worked out from what it reads as while its sentinels are wrong.

What a chip sends passes through all chips before it, so a wire that fails spoils the chip it leads to and all behind
it: the broken cable leads to the first chip that reads otherwise than before, or to an earlier one that reads as before
by chance. Two things tell chance. A wire that is held at one level makes everything behind it that level, to the end,
so the cable leads to no chip before that begins. A wire that picks up anything makes its chip read otherwise most of
the time, if its channels are not all alike. A short on a wire that all chips share spoils the first of them wherever
it is.
"""

CHIP = 8
"""Channels of a chip."""
ENOUGH = 16
"""Scans that read wrong in a row before chance is told: a wire that comes and goes breaks off anywhere."""


class Breaks:
    """One chain of `chips`; `bits` are read from it in all, its tail included."""

    def __init__(self, chips: int, bits: int) -> None:
        self._chips = chips
        self._bits = bits
        self._good: int | None = None
        self._begin()

    def sound(self, levels: int) -> None:
        """Take `levels` as read from the chain when it was believed: what was seen of a break is over."""
        self._good = levels
        if self._seen:
            self._begin()

    def right(self) -> None:
        """Take note that it read right, though it is not believed yet."""
        if not self.worked_out:
            self._begin()

    def broken(self, levels: int, wrong: int) -> range | None:
        """Take `levels` read from a broken chain, where the channels in `wrong` cannot be so.

        Return the chips, 0 nearest the board, to one of which the broken cable leads, None while that is not worked
        out. If chip 0 is among them, a short in any of the cables would look the same.
        """
        differs = wrong if self._good is None else levels ^ self._good | wrong
        last = levels >> self._bits - 1 & 1
        constant = (levels ^ -last & (1 << self._bits) - 1).bit_length()
        first = (differs & -differs).bit_length() - 1
        self._seen.append((min(first // CHIP, self._chips - 1), constant))
        return self._suspects() if self.worked_out else None

    @property
    def worked_out(self) -> bool:
        """Whether more scans would change little."""
        return len(self._seen) >= ENOUGH

    def _suspects(self) -> range:
        last = first = min(chip for chip, _ in self._seen)
        constants = {constant for _, constant in self._seen}
        if len(constants) == 1:
            first = min(-(-constants.pop() // CHIP), self._chips - 1)
            # If it begins behind what reads otherwise, that was a key somebody moved.
            return range(first, last + 1 if first <= last else self._chips)
        noisy = sum(chip == last and constant > CHIP * (last + 1) for chip, constant in self._seen)
        if 2 * noisy < ENOUGH:
            return range(last + 1)
        while first and self._alike(first - 1):
            first -= 1
        return range(first, last + 1)

    def _alike(self, chip: int) -> bool:
        """Tell whether a chip and the first bit behind it all read alike: then more or fewer clocks do not show."""
        bits = (self._good or 0) >> CHIP * chip & (2 << CHIP) - 1
        return bits in {0, (2 << CHIP) - 1}

    def _begin(self) -> None:
        self._seen: list[tuple[int, int]] = []
        """Of each scan, the first chip that reads otherwise, and the bit from which on all is one level."""
