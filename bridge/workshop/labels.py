"""Labels to be wrapped around wires, and the list to be hung up, as a page that a browser prints."""

from html import escape

from bridge.console import Console
from bridge.workshop.wiring import by_connector, colour, goes_to

_STYLE = """
@page { size: A4; margin: 10mm; }
body { font: 11pt sans-serif; color: #000; background: #fff; margin: 0; }
h1 { font-size: 14pt; } h2 { font-size: 12pt; break-after: avoid; margin: 5mm 0 2mm; }
.labels { display: grid; grid-template-columns: repeat(3, 1fr); gap: 0; }
.label { border: 0.2mm dashed #777; padding: 1.5mm 2mm; height: 15mm; box-sizing: border-box; overflow: hidden;
  break-inside: avoid; line-height: 1.15; }
.label b { font-size: 12pt; } .label span { display: block; white-space: nowrap; overflow: hidden; font-size: 9pt; }
"""


def page(console: Console) -> str:
    """Return an HTML page with a label for each lamp and key that has a pin, connector by connector."""
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f"<title>Labels: {escape(console.name)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(console.name)}: labels</h1>",
    ]
    for connector, points in by_connector(console).items():
        if not connector:
            continue
        parts.append(f'<h2>{escape(connector)}</h2><div class="labels">')
        for point in points:
            to, comes = goes_to(point)
            revision = f" rev. {point.revision}" if point.revision else ""
            parts.append(
                f'<div class="label"><b>{escape(f"{connector} pin {point.pin}{revision}")}</b>'
                f"<span>{escape(to)}</span><span>{escape(', '.join(filter(None, (comes, colour(point)))))}</span></div>"
            )
        parts.append("</div>")
    return "\n".join([*parts, "</body></html>", ""])
