"""Output lines through gpiozero, on a factory that is passed in: gpiozero's own search would fall back in silence."""

from gpiozero import Factory, OutputDevice


class GpioLine:
    """One output line; `factory` is the real one or the rehearsal's."""

    def __init__(self, factory: Factory, gpio: int, level: bool) -> None:
        self._device = OutputDevice(gpio, initial_value=level, pin_factory=factory)
        # Straight to the pin: the layers above it cost more than all the rest of a scan.
        self._pin = self._device.pin

    def set(self, level: bool) -> None:
        """Put the line high or low."""
        self._pin.state = level

    def close(self) -> None:
        """Let go of the line; it becomes an input again."""
        self._device.close()
