"""The order table of ORDERS.md: codes, names, and which orders have an address worth writing."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Order:
    """One order: its function code, its name, and whether its address means anything."""

    code: int
    name: str
    addressed: bool


_ADDRESSED = {
    1: "GET",
    2: "PUT",
    3: "ADD",
    4: "SUB",
    5: "AND",
    7: "MUL",
    8: "DIV",
    9: "SHL",
    10: "SHR",
    12: "GETX",
    13: "PUTX",
    14: "SETX",
    15: "GETL",
    16: "PUTL",
    17: "JUMP",
    18: "JNEG",
    19: "JZER",
    20: "JOVR",
    21: "JSUB",
    22: "BACK",
    23: "JDEC",
    31: "TYPI",
}
_ALONE = {
    0: "HALT",
    11: "SWAP",
    24: "CARD",
    25: "COLM",
    26: "CHAR",
    27: "PCOL",
    28: "PCHR",
    29: "PNCH",
    30: "TYPE",
    32: "KEYS",
}

ORDERS: dict[str, Order] = {
    name: Order(code, name, table is _ADDRESSED) for table in (_ADDRESSED, _ALONE) for code, name in table.items()
}
"""Every order by its name."""

INDEXED = 1 << 17
"""The bit of an order that asks for the index."""


def word(order: Order, address: int = 0, indexed: bool = False) -> int:
    """Return the order as a 24-bit word; `address` is 0 to 1023."""
    return order.code << 18 | indexed * INDEXED | address
