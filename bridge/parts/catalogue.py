"""Every part the description may name. A new part is one file and one line here."""

from bridge.parts import hc165, tlc5947
from bridge.parts.facts import Facts

CATALOGUE: dict[str, Facts] = {facts.name: facts for facts in (tlc5947.FACTS, hc165.FACTS)}
