"""Every part the description may name. A new part is one file and one line here."""

from bridge.parts import hc165, hc595, tlc5947
from bridge.parts.facts import Facts, KeyMaker, LampMaker, TwinMaker

LAMP_DRIVERS: dict[str, LampMaker] = {part.FACTS.name: part.Driver for part in (tlc5947, hc595)}
KEY_DRIVERS: dict[str, KeyMaker] = {part.FACTS.name: part.Driver for part in (hc165,)}
TWINS: dict[str, TwinMaker] = {part.FACTS.name: part.Twin for part in (tlc5947, hc595, hc165)}
CATALOGUE: dict[str, Facts] = {part.FACTS.name: part.FACTS for part in (tlc5947, hc595, hc165)}
