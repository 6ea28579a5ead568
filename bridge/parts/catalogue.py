"""Every part the description may name. A new part is one file and one line here."""

from bridge.parts import hc165, tlc5947
from bridge.parts.facts import Facts, KeyMaker, LampMaker, TwinMaker

LAMP_DRIVERS: dict[str, LampMaker] = {tlc5947.FACTS.name: tlc5947.Driver}
KEY_DRIVERS: dict[str, KeyMaker] = {hc165.FACTS.name: hc165.Driver}
TWINS: dict[str, TwinMaker] = {tlc5947.FACTS.name: tlc5947.Twin, hc165.FACTS.name: hc165.Twin}
CATALOGUE: dict[str, Facts] = {facts.name: facts for facts in (tlc5947.FACTS, hc165.FACTS)}
