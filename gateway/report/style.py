"""The report's style: ink on paper, no colour that carries anything, one look on screen and in print."""

import re

FONTS = '"Liberation Sans", "DejaVu Sans", Arial, sans-serif'


def each_page(left: str, right: str) -> str:
    """Rules that print two texts and the page's number on each page."""
    return f"""
@page {{ size: A4; margin: 15mm 15mm 15mm;
 @top-left {{ content: {_quoted(left)}; font: 8pt {FONTS}; color: #333; width: 60%; }}
 @top-right {{ content: "page " counter(page) " of " counter(pages); font: 8pt {FONTS}; color: #333; }}
 @bottom-left {{ content: {_quoted(right)}; font: 7pt {FONTS}; color: #333; }} }}
"""


def _quoted(text: str) -> str:
    # Whatever could end the string, or the element in which it stands, is written by its number.
    return '"' + re.sub(r"[^\w .,:()/-]", lambda m: f"\\{ord(m[0]):x} ", text) + '"'


RULES = """
* { box-sizing: border-box; }
html { background: #fff; color: #111; font: 10pt/1.38 "Liberation Sans", "DejaVu Sans", Arial, sans-serif;
 -webkit-print-color-adjust: exact; print-color-adjust: exact; }
body { margin: 0 auto; max-width: 180mm; padding: 6mm 4mm; }
header { display: flex; justify-content: space-between; align-items: flex-end; gap: 8mm;
 border-bottom: 2.4pt solid #111; padding-bottom: 2mm; margin-bottom: 3mm; }
h1 { font-size: 19pt; line-height: 1.1; margin: 0; overflow-wrap: anywhere; }
h1 small, h2 small { display: block; font-size: 9.5pt; font-weight: normal; margin-top: 1mm; }
h2 small { display: inline; margin-left: 3mm; }
header p { margin: 0; text-align: right; }
h2 { font-size: 13.5pt; margin: 4mm 0 2mm; break-after: avoid; overflow-wrap: anywhere; }
h3 { font-size: 10.5pt; margin: 5mm 0 1mm; border-bottom: 0.6pt solid #888; break-after: avoid; }
p, ul { margin: 1mm 0 2mm; }
ul { padding-left: 5mm; }
small { font-size: 8pt; }
.decision { border: 1pt solid #111; border-left-width: 5pt; padding: 2mm 3mm; margin-bottom: 2mm; }
.decision strong { font-size: 12pt; }
.decision div { font-size: 8.5pt; margin-top: 0.6mm; }
.gaps { border-left: 2pt dashed #111; padding-left: 3mm; font-size: 8.5pt; }
.notice { border-top: 0.6pt solid #888; padding-top: 1.5mm; font-size: 8.5pt; }
table { border-collapse: collapse; width: 100%; margin: 1mm 0 3mm; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-size: 8.5pt; color: #333; padding-bottom: 0.6mm; }
caption, thead { break-after: avoid; }
.short { break-inside: avoid; }
th, td { text-align: left; vertical-align: top; padding: 0.9mm 2mm 0.9mm 0; border-bottom: 0.4pt solid #aaa;
 overflow-wrap: break-word; }
thead th { border-bottom: 1pt solid #111; font-size: 8.5pt; }
tbody th { font-weight: bold; }
tbody th small { display: block; font-weight: normal; color: #333; }
td small { display: block; }
figure.photo { margin: 3mm 0; break-inside: avoid; } .photo img { max-width: 100%; max-height: 120mm; }
.ends th:first-child { width: 34%; }
.ends td:nth-child(n+2) { white-space: nowrap; }
.facts th { width: 34%; }
.first { font-size: 9pt; }
.first th, .first td { padding: 0.6mm 2mm 0.6mm 0; }
.first small { font-size: 7.5pt; }
.several { font-size: 8.5pt; }
.several th small { display: none; }
.several h2 { margin: 2mm 0 1mm; font-size: 12pt; }
.several .decision { padding: 1mm 3mm; }
.several th, .several td { padding: 0.35mm 2mm 0.35mm 0; }
.several table { margin-bottom: 1.5mm; }
.first svg { margin: 1mm 0; }
.work, .alarms { font-size: 9pt; table-layout: fixed; }
.work th:first-child { width: 28%; }
.ticks { font-size: 8.5pt; }
.ticks tbody th { font-weight: 400; width: 56%; }
.alarms th:first-child { width: 29%; }
.alarms th:nth-child(3) { width: 9%; }
.alarms th:nth-child(6) { width: 18%; }
tr { break-inside: avoid; }
.tail { break-before: avoid; }
p, li, dd { orphans: 3; widows: 3; }
ul { break-inside: auto; }
li, dl div, .together, .decision, .gaps { break-inside: avoid; }
h2, h3, caption, h2 + p, h3 + p { break-after: avoid; }
.after { break-before: avoid; }
.identity { font-size: 8pt; color: #333; margin: 0 0 2mm; }
.identity span { display: inline-block; margin-right: 5mm; }
.acts { font-size: 8.5pt; table-layout: fixed; }
.sign td, .sign th { height: 13mm; border-bottom: 0.8pt solid #111; vertical-align: bottom; }
.sign thead th { height: auto; }
.sign { table-layout: fixed; }
.sign th:nth-child(1), .sign th:nth-child(3) { width: 22%; }
pre { font: 7.5pt/1.3 "Liberation Mono", "DejaVu Sans Mono", monospace; white-space: pre-wrap;
 orphans: 4; widows: 4; overflow-wrap: anywhere; }
dt { font-weight: bold; margin-top: 1.5mm; break-after: avoid; }
dd { margin: 0; }
svg { display: block; width: 100%; height: auto; margin: 2mm 0 3mm; break-inside: avoid; }
footer { border-top: 0.6pt solid #888; margin-top: 5mm; padding-top: 1mm; font-size: 8.5pt; }
@media print { body { padding: 0; max-width: none; } .page { break-before: page; } }
@media screen { .page { border-top: 2.4pt solid #111; margin-top: 10mm; } }
@media screen and (max-width: 600px) { table { display: block; overflow-x: auto; } header { display: block; }
 header p { text-align: left; } }
"""

DRAWN = """
svg text { font-size: 10.5px; font-family: "Liberation Sans", "DejaVu Sans", Arial, sans-serif; fill: #111; }
svg .title { font-size: 11.5px; font-weight: bold; }
svg .left { text-anchor: end; } svg .mid { text-anchor: middle; } svg .right { text-anchor: start; }
svg .empty { text-anchor: middle; font-style: italic; }
svg .axis { stroke: #111; stroke-width: 1; }
svg .grid { stroke: #ccc; stroke-width: 0.6; }
svg .line { fill: none; stroke: #111; stroke-width: 1.5; stroke-linejoin: round; stroke-linecap: round; }
svg .near { stroke: #111; stroke-width: 1.1; stroke-dasharray: 3 3; }
svg .limit { stroke: #111; stroke-width: 1.8; stroke-dasharray: 11 4; }
svg .band { fill: #e6e6e6; }
svg .edge { stroke: #555; stroke-width: 0.8; stroke-dasharray: 7 2 1 2; }
svg .mark { stroke: #111; stroke-width: 1.2; stroke-dasharray: 1 3; }
svg .flag { fill: #fff; stroke: #111; stroke-width: 0.8; }
svg .range { fill: #bbb; stroke: #111; stroke-width: 0.8; }
svg .middle { stroke: #111; stroke-width: 2.4; }
"""
"""Of a plot: in the element itself, since not all that make paper of it look outside."""
