"""STYLE: how a page looks: on a phone, on a desk, on paper, in the dark.

In: nothing. Out: CSS. Never: names a font or a picture that would have to be fetched.

Letters have a contrast of at least 4.5 to 1 on their ground (WCAG 2.2, 1.4.3), lines that carry meaning at
least 3 to 1 (1.4.11); a test reckons it from the figures below.
"""

from __future__ import annotations

LIGHT = {
    "paper": "#fbfaf6",
    "ink": "#22211d",
    "soft": "#5d5a50",
    "rule": "#d3cebf",
    "band": "#dde9da",
    "spread": "#b9cfdc",
    "rh": "#1f5a7a",
    "target": "#5d5a50",
    "temp": "#8f3d14",
    "dew": "#2d6f66",
    "below": "#a8481b",
    "within": "#5f8a5c",
    "above": "#2f5f9a",
    "unknown": "#8a8678",
    "run": "#4d4a7c",
    "water": "#1f6f8f",
    "mould": "#6b5a12",
}
DARK = {
    "paper": "#181916",
    "ink": "#ebe8de",
    "soft": "#b1ad9e",
    "rule": "#3d3d36",
    "band": "#26352a",
    "spread": "#31505f",
    "rh": "#9ccfe8",
    "target": "#b1ad9e",
    "temp": "#eba777",
    "dew": "#7fc8bc",
    "below": "#e08a58",
    "within": "#84b07f",
    "above": "#7fa9dd",
    "unknown": "#8f8b7d",
    "run": "#a9a5de",
    "water": "#7cc0dc",
    "mould": "#cfb75a",
}
LETTERS = ("ink", "soft")
MEANING = ("rh", "target", "temp", "dew", "below", "within", "above", "unknown", "run", "water", "mould")
LINES = ("rh", "target", "temp", "dew", "mould")
AREAS = ("band", "spread", "below", "within", "above", "unknown", "run", "water")


def css() -> str:
    drawn = [f".{name}{{fill:none;stroke:var(--{name});vector-effect:non-scaling-stroke}}" for name in LINES]
    drawn += [f".{name}{{fill:var(--{name})}}" for name in AREAS]
    keys = [f".key .{name}{{background:var(--{name})}}" for name in AREAS]
    keys += [f".key .{name}{{border-top:3px solid var(--{name})}}" for name in LINES]
    return "\n".join(
        (
            f":root{{color-scheme:light dark;{_variables(LIGHT)}}}",
            f"@media (prefers-color-scheme:dark){{:root{{{_variables(DARK)}}}}}",
            PAGE.strip(),
            *drawn,
            *keys,
            DASHES.strip(),
            f"@media print{{:root{{color-scheme:light;{_variables(LIGHT)};--paper:#fff}}{PRINT.strip()}}}",
        )
    )


def _variables(colours: dict[str, str]) -> str:
    return ";".join(f"--{name}:{colour}" for name, colour in colours.items())


PAGE = """
*{box-sizing:border-box}
body{margin:0 auto;padding:1.2rem 1rem 3rem;max-width:52rem;background:var(--paper);color:var(--ink);
font:1rem/1.5 Georgia,"Noto Serif","DejaVu Serif",serif;overflow-wrap:anywhere;-webkit-text-size-adjust:100%}
header{border-bottom:3px double var(--ink);padding-bottom:.8rem}
h1{font-size:1.7rem;line-height:1.2;margin:.1rem 0 .6rem;font-weight:600}
h2{font-size:1.15rem;line-height:1.3;margin:2.4rem 0 .4rem;font-weight:600}
header p,footer p,section>p{margin:.35rem 0}
.room,.remark,figcaption,footer,.scale,.time,th{color:var(--soft)}
.room{font-style:italic}
.remark,footer{font-size:.88rem}
nav{font-size:.9rem;margin:.7rem 0 0}
nav a{color:inherit;margin-right:.9em;white-space:nowrap;display:inline-block;padding:.2rem 0}
figure{margin:.9rem 0 1.1rem}
figcaption{font-size:.88rem;margin-bottom:.2rem;display:flex;flex-wrap:wrap;gap:.1rem 1.1rem;
align-items:baseline}
figcaption b{font-weight:600;color:var(--ink)}
.key{white-space:nowrap}
.key i{display:inline-block;width:1.2rem;height:.7rem;margin-right:.4rem}
.key i.rh,.key i.target,.key i.temp,.key i.dew,.key i.mould{height:0;vertical-align:.25rem}
.plot{display:flex}
svg.beside{flex:none;display:block}
svg.chart{flex:1;min-width:0;display:block;overflow:hidden}
svg text{font:12px system-ui,sans-serif;fill:currentColor}
.grid,.tick{stroke:var(--rule);stroke-width:1}
.wide{overflow-x:auto;max-width:100%}
table{border-collapse:collapse;width:100%;font:.84rem/1.35 system-ui,sans-serif;
font-variant-numeric:tabular-nums;
overflow-wrap:normal}
th,td{padding:.22rem .3rem;text-align:right;vertical-align:top;white-space:nowrap;
border-bottom:1px solid var(--rule)}
th{font-weight:500;vertical-align:bottom;line-height:1.2;border-bottom:1px solid var(--ink);
white-space:normal}
th.g{text-align:left;border-bottom:1px solid var(--rule);padding-left:.9rem}
.s{padding-left:.9rem}
tbody th{font-weight:400;color:var(--ink);border-bottom:1px solid var(--rule);vertical-align:top}
.w{text-align:left;white-space:normal}
.w.n,.w.t{white-space:nowrap}
td.w:last-child{min-width:9rem}
tfoot td,tfoot th{font-weight:600;color:var(--ink);border-top:1px solid var(--ink);border-bottom:0}
footer{margin-top:3rem;border-top:3px double var(--ink);padding-top:.6rem}
td.o{border-bottom:0}
@media (max-width:30rem){
.w.t{white-space:normal}
td.w:last-child{min-width:7rem}
table{font-size:.76rem}
.many{font-size:.66rem}
th,td{padding:.2rem .14rem}
.many th,.many td{padding:.2rem .08rem}
.s,.many .s,th.g,.many th.g{padding-left:.3rem}
h1{font-size:1.4rem}
}
"""
DASHES = """
.rh,.temp,.mould{stroke-width:1.8}
.dew{stroke-width:1.8;stroke-dasharray:6 3}
.target{stroke-width:1.3;stroke-dasharray:2 3}
.key i.dew{border-top-style:dashed}
.key i.target{border-top-style:dotted}
"""
PRINT = """
@page{margin:14mm}
body{max-width:none;padding:0;font-size:10pt}
nav{display:none}
h2{break-after:avoid}
figure,tr{break-inside:avoid}
thead{display:table-header-group}
.wide{overflow:visible}
table{font-size:8pt}
*{-webkit-print-color-adjust:exact;print-color-adjust:exact}
"""
