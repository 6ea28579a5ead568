"""Every part the description may name. A new part is one file and one line here, and one among the twins."""

from bridge.parts import gpio, gpio_inputs, gpio_matrix, hc165, hc595, mcp23017, mcp23017_matrix, pca9685, tlc5947
from bridge.parts.facts import (
    Facts,
    I2cKeyMaker,
    I2cLampMaker,
    I2cMatrixMaker,
    LineKeyMaker,
    LineLampMaker,
    LineMatrixMaker,
    MatrixTwinMaker,
    SpiKeyMaker,
    SpiLampMaker,
    TwinMaker,
)

SPI_LAMP_DRIVERS: dict[str, SpiLampMaker] = {part.FACTS.name: part.Driver for part in (tlc5947, hc595)}
I2C_LAMP_DRIVERS: dict[str, I2cLampMaker] = {part.FACTS.name: part.Driver for part in (pca9685,)}
LINE_LAMP_DRIVERS: dict[str, LineLampMaker] = {part.FACTS.name: part.Driver for part in (gpio,)}
SPI_KEY_DRIVERS: dict[str, SpiKeyMaker] = {part.FACTS.name: part.Driver for part in (hc165,)}
I2C_KEY_DRIVERS: dict[str, I2cKeyMaker] = {part.FACTS.name: part.Driver for part in (mcp23017,)}
LINE_KEY_DRIVERS: dict[str, LineKeyMaker] = {part.FACTS.name: part.Driver for part in (gpio_inputs,)}
I2C_MATRIX_DRIVERS: dict[str, I2cMatrixMaker] = {part.FACTS.name: part.Driver for part in (mcp23017_matrix,)}
LINE_MATRIX_DRIVERS: dict[str, LineMatrixMaker] = {part.FACTS.name: part.Driver for part in (gpio_matrix,)}
_PARTS = (tlc5947, hc595, pca9685, gpio, hc165, mcp23017, gpio_inputs)
TWINS: dict[str, TwinMaker] = {part.FACTS.name: part.Twin for part in _PARTS}
_MATRICES = (mcp23017_matrix, gpio_matrix)
MATRIX_TWINS: dict[str, MatrixTwinMaker] = {part.FACTS.name: part.Twin for part in _MATRICES}
CATALOGUE: dict[str, Facts] = {part.FACTS.name: part.FACTS for part in (*_PARTS, *_MATRICES)}
