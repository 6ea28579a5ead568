"""Kinds of lamp that every description may name. Invented, but such as panels had.

Volts, amps and temperatures are what small lamps are rated at; a few tens of milliseconds from dark to light is common
practice without a source. Measure your own and describe it as a [[lamp_kind]]. That a neon gives no light to the
shortest pulses, and the orange of its glow, are from memory; describe your own as a [[neon_kind]].

A description that names no kind gets "instant", the one that does nothing: on the bench a lamp is then lit when it is
driven, and nobody's panel glows like a lamp it never had.
"""

from bridge.console.facts import LampKind

BUILT_IN: dict[str, LampKind] = {
    kind.name: kind
    for kind in (
        LampKind("instant", "instant"),
        LampKind("neon", "neon", strikes=0.05, holds=0.03, colour="#ff6a2e"),
        LampKind("pilot", "filament", volts=12.0, amps=0.08, kelvin=2300, rise_ms=60.0),
        LampKind("long-life", "filament", volts=28.0, amps=0.04, kelvin=2100, rise_ms=80.0),
        LampKind("quick", "filament", volts=6.0, amps=0.06, kelvin=2450, rise_ms=30.0, keep_warm=0.01),
    )
}
