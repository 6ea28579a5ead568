"""Every part the description may name. A new part is one file and one line here, and one among the twins."""

from bridge.parts import gpio, hc165, hc595, pca9685, tlc5947
from bridge.parts.facts import Facts, I2cLampMaker, KeyMaker, LineLampMaker, SpiLampMaker, TwinMaker

SPI_LAMP_DRIVERS: dict[str, SpiLampMaker] = {part.FACTS.name: part.Driver for part in (tlc5947, hc595)}
I2C_LAMP_DRIVERS: dict[str, I2cLampMaker] = {part.FACTS.name: part.Driver for part in (pca9685,)}
LINE_LAMP_DRIVERS: dict[str, LineLampMaker] = {part.FACTS.name: part.Driver for part in (gpio,)}
KEY_DRIVERS: dict[str, KeyMaker] = {part.FACTS.name: part.Driver for part in (hc165,)}
_PARTS = (tlc5947, hc595, pca9685, gpio, hc165)
TWINS: dict[str, TwinMaker] = {part.FACTS.name: part.Twin for part in _PARTS}
CATALOGUE: dict[str, Facts] = {part.FACTS.name: part.FACTS for part in _PARTS}
