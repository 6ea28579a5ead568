"""The punch through power cuts without end, on the file system that fails."""

import itertools
import random
from collections.abc import Iterator

from tests.cards.crashes import World, crash, step

CRASHES = 150
"""In one life of a set of sticks."""


def punch(seed: int) -> Iterator[dict[str, int]]:
    """Yield the counts of one set of sticks after another; a failure names the seed that repeats it."""
    for one in itertools.count(seed):
        rng = random.Random(one)
        world = World(one)
        try:
            for _ in range(CRASHES):
                crash(world, rng)
                if rng.random() < 0.3:
                    step(world, rng)
            world.settle()
        except Exception as error:  # noqa: BLE001 -- whatever it is, it is told
            # Said in words: not every error can cross to the process that waits for it.
            raise RuntimeError(f"failed with --seed {one}: {error!r}") from None
        finally:
            world.close()
        yield {"crash points": world.cuts, "cards safe": len(world.safe), "cards on their way": len(world.maybe)}
