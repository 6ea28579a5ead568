"""What stands round the processor in these tests: everything at once ready, or as slow as a test says."""

from collections.abc import Iterable, Sequence

from bridge.cards.deck import Card, columns_of
from bridge.demo.skerry.processor import Processor


class Scripted:
    """Cards come when asked for while `hopper` has any; cards are punched and characters typed at once.

    A test that wants to wait empties `hopper`, or sets `acknowledge` or `typewriter_ready` to False.
    """

    def __init__(self, cards: Iterable[Card] = ()) -> None:
        self.hopper: list[Sequence[int]] = [columns_of(card) for card in cards]
        self.asked = 0
        self.punched: list[tuple[int, ...]] = []
        self.acknowledge = True
        self.typewriter_ready = True
        self.typed = ""
        self._owed = 0

    def ask_card(self) -> None:
        self.asked += 1

    def take_card(self) -> Sequence[int] | None:
        return self.hopper.pop(0) if self.hopper else None

    def send_card(self, columns: Sequence[int]) -> None:
        self.punched.append(tuple(columns))
        self._owed += 1

    def take_acknowledgement(self) -> bool:
        told = self.acknowledge and self._owed > 0
        self._owed -= told
        return told

    def type(self, code: int) -> bool:
        if self.typewriter_ready:
            self.typed += chr(code)
        return self.typewriter_ready


def run_to_end(processor: Processor, limit: int) -> int:
    """Run until the machine stops, waits for what does not come, or `limit` cycles have passed; return how many."""
    devices = processor._devices
    assert isinstance(devices, Scripted)
    for cycles in range(limit):
        if not processor.running:
            return cycles
        was_waiting = processor.waiting
        processor.cycle()
        if was_waiting and processor.waiting:
            return cycles
    return limit
