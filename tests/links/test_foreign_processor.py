"""A processor that nobody here wrote, linked as a core: Unicorn's Arm, stepped by a key, its registers in lamps."""

import struct
from pathlib import Path

from unicorn import UC_ARCH_ARM, UC_MODE_ARM, Uc
from unicorn.arm_const import UC_ARM_REG_CPSR, UC_ARM_REG_PC, UC_ARM_REG_R1

from bridge.links.client import CoreClient
from tests.daemon.harness import Rig
from tests.virtual import run_virtually

STORE = 0x1000
# source: Arm Architecture Reference Manual, A32: mov r0, #3; subs r0, r0, #1; adds r1, r1, r0; bne to the second.
PROGRAM = struct.pack("<4I", 0xE3A00003, 0xE2500001, 0xE0911000, 0x1AFFFFFC)
ROWS = {"A": 24, "B": 24, "S": 4}
LAMPS = [f"{row}.{bit}" for row, width in ROWS.items() for bit in range(width)]


class Arm:
    """Address in lamps A, data (r1) in B, the four flags in S; STEP ORDER executes one instruction."""

    def __init__(self, path: str) -> None:
        self.client = CoreClient(path, "Arm", LAMPS, ["STEP ORDER"], ticks_per_second=1e6, run=1)
        self.processor = Uc(UC_ARCH_ARM, UC_MODE_ARM)
        self.processor.mem_map(STORE, 0x1000)
        self.processor.mem_write(STORE, PROGRAM)
        self.processor.reg_write(UC_ARM_REG_PC, STORE)

    def registers(self) -> dict[str, int]:
        read = self.processor.reg_read
        return {"A": read(UC_ARM_REG_PC), "B": read(UC_ARM_REG_R1), "S": read(UC_ARM_REG_CPSR) >> 28}

    def look(self, now: int) -> None:
        self.client.poll(now)
        for _ in range(self.client.presses(0)):
            self.processor.emu_start(self.processor.reg_read(UC_ARM_REG_PC), STORE + len(PROGRAM), count=1)
        bits = at = 0
        for row, width in ROWS.items():
            bits |= (self.registers()[row] & (1 << width) - 1) << at
            at += width
        self.client.rest(bits)
        self.client.send_due(now)


def test_lamps_are_the_registers_at_every_step(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            core = Arm(str(rig.sockets.core))

            async def shown() -> dict[str, int]:
                for _ in range(20):
                    core.look(rig.clock.now())
                    await rig.wait(5)
                lit = rig.lit()
                assert {lit[name] for name in LAMPS} <= {0, 4095}
                return {row: sum((lit[f"{row}.{n}"] > 0) << n for n in range(width)) for row, width in ROWS.items()}

            seen = [await shown()]
            while seen[-1]["A"] != STORE + len(PROGRAM):
                await rig.press("STEP ORDER")
                seen.append(await shown())
                assert seen[-1] == core.registers()
            # source: arithmetic: r0 is 2, 1, 0, -1, -2 in five rounds of the loop, r1 their sum; 2 - 2 sets Z, C.
            assert [step["A"] - STORE for step in seen] == [0, *[4, 8, 12] * 5, 16]
            assert [step["B"] for step in seen if step["A"] - STORE == 12] == [2, 3, 3, 2, 0]
            assert seen[-1]["S"] == 0b0110
            core.client.close()

    run_virtually(main())
