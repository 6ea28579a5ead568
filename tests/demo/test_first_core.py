from pathlib import Path

from bridge.console import load
from bridge.demo.first_core import FirstCore
from bridge.files import examples
from tests.daemon.harness import Rig
from tests.virtual import run_virtually


def test_each_key_lights_the_lamp_above_it(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path, load(examples() / "first-panel.toml")) as rig:
            core = FirstCore(str(rig.sockets.core))
            await rig.throw("W.5", closed=True)
            lit = []
            for key, closed in ((None, True), ("W.0", True), ("W.7", True), ("W.5", False), ("W.0", False)):
                if key is not None:
                    await rig.throw(key, closed=closed)
                for _ in range(30):
                    core.look(rig.clock.now())
                    await rig.wait(5)
                lit.append({name for name, code in rig.lit().items() if code == 4095})
            core.client.close()
            assert lit == [{"A.5"}, {"A.5", "A.0"}, {"A.5", "A.0", "A.7"}, {"A.0", "A.7"}, {"A.7"}]

    run_virtually(main())
