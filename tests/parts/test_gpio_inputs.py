from bridge.parts.gpio_inputs import Driver


class Held:
    def __init__(self, level: bool) -> None:
        self.level = level

    def get(self) -> bool:
        return self.level

    def close(self) -> None: ...


def test_lines_are_channels_in_their_order() -> None:
    lines = [Held(False), Held(True), Held(False), Held(True)]
    driver = Driver(lines)
    assert driver.read() == 0b1010
    lines[0].level = True
    lines[3].level = False
    assert driver.read() == 0b0011
    assert not driver.check()
