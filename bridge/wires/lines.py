"""Lines through gpiozero, on a factory that is passed in: gpiozero's own search would fall back in silence."""

import errno

from gpiozero import Factory, InputDevice, OutputDevice

from bridge.wires.kinds import Pull

_PULL_UP = {"up": True, "down": False, "none": None}


class _as_os_error:  # noqa: N801 -- used as a statement; a generator would cost a scan three times as much
    """Makes an OSError of whatever a line fails with: lgpio.error, for one, derives from Exception alone."""

    def __enter__(self) -> None:
        pass

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if isinstance(error, Exception):
            raise OSError(errno.EIO, str(error)) from error


class GpioLine:
    """One output line; `factory` is the real one or the rehearsal's."""

    def __init__(self, factory: Factory, gpio: int, level: bool) -> None:
        self._device = OutputDevice(gpio, initial_value=level, pin_factory=factory)
        # Straight to the pin: the layers above it cost more than all the rest of a scan.
        self._pin = self._device.pin

    def set(self, level: bool) -> None:
        """Put the line high or low. Raises OSError when it cannot be."""
        with _as_os_error():
            self._pin.state = level

    def close(self) -> None:
        """Let go of the line; it becomes an input again."""
        self._device.close()


class GpioDrain:
    """An output line that is never driven high; `factory` is the real one or the rehearsal's. It starts let go of."""

    def __init__(self, factory: Factory, gpio: int) -> None:
        self._device = InputDevice(gpio, pull_up=True, pin_factory=factory)
        self._pin = self._device.pin

    def set(self, level: bool) -> None:
        """Pull the line low, or let go of it. Raises OSError when it cannot be."""
        with _as_os_error():
            self._pin.function = "input" if level else "output"
            if not level:
                # A line that becomes an output is low on the real factory, but not on the rehearsal's.
                self._pin.state = False

    def close(self) -> None:
        """Let go of the line."""
        self._device.close()


class GpioInput:
    """One input line; `factory` is the real one or the rehearsal's."""

    def __init__(self, factory: Factory, gpio: int, pull: Pull) -> None:
        # gpiozero wants to be told what is active where no pull tells it; the level is read below that.
        active = {"active_state": True} if pull == "none" else {}
        self._device = InputDevice(gpio, pull_up=_PULL_UP[pull], pin_factory=factory, **active)
        self.pin = self._device.pin

    def get(self) -> bool:
        """Return its level. Raises OSError when it cannot be read."""
        with _as_os_error():
            return bool(self.pin.state)

    def close(self) -> None:
        """Let go of the line."""
        self._device.close()
