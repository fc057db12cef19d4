"""STYLE of the page: a log sheet for a phone at arm's length. It goes on where the report's style ends.

In: nothing. Out: CSS. Never: names a font or a picture that would have to be fetched.

What calls a person has a ground and a bar of its own at its side, so that it is told by more than a colour.
"""

from __future__ import annotations

from controller.reporting import style as report_style

LIGHT = {"field": "#ffffff", "edge": "#6f6b5e", "act": "#22211d", "on-act": "#fbfaf6",
         "bad": "#8c2316", "bad-ground": "#f8e4de", "good": "#2c5e2e", "good-ground": "#e3eee0"}  # fmt: skip
DARK = {"field": "#22231f", "edge": "#8f8b7d", "act": "#ebe8de", "on-act": "#181916",
        "bad": "#f2a48f", "bad-ground": "#40211a", "good": "#a5d0a0", "good-ground": "#22331f"}  # fmt: skip
LETTERS_ON = (("bad", "bad-ground"), ("good", "good-ground"), ("ink", "bad-ground"), ("ink", "good-ground"),
              ("bad", "paper"),
              ("on-act", "act"), ("ink", "field"), ("ink", "paper"), ("soft", "paper"))  # fmt: skip
"""Letters and the ground that they stand on."""
EDGES_ON = (("edge", "paper"), ("edge", "field"))


def css() -> str:
    return "\n".join(
        (
            report_style.css(),
            f":root{{{_variables(LIGHT)}}}",
            f"@media (prefers-color-scheme:dark){{:root{{{_variables(DARK)}}}}}",
            PAGE.strip(),
        )
    )


def _variables(colours: dict[str, str]) -> str:
    return ";".join(f"--{name}:{colour}" for name, colour in colours.items())


PAGE = """
html{scroll-padding-top:.5rem}
body{padding:.5rem .9rem 2rem;max-width:46rem;font-size:1.0625rem;line-height:1.4}
header{display:flex;flex-wrap:wrap;justify-content:space-between;align-items:baseline;gap:0 1rem;
padding-bottom:.25rem;margin-bottom:.5rem}
header h1{font-size:1.25rem;margin:0}
header p,#asof{margin:0;color:var(--soft);font-variant-numeric:tabular-nums}
main:focus{outline:0}
p{margin:.3rem 0}
a{color:inherit;text-underline-offset:.15em}
a:focus-visible,button:focus-visible,input:focus-visible,select:focus-visible,textarea:focus-visible,
input:focus-within,summary:focus-visible,.wide:focus-visible{outline:3px solid var(--rh);outline-offset:2px}
.skip{position:absolute;left:-99rem}
.skip:focus{left:.5rem;top:.5rem;background:var(--paper);padding:.5rem;z-index:1}
.soft{color:var(--soft);font-size:.9375rem}
.why{font-size:1.1875rem;line-height:1.3;margin:.2rem 0 .4rem}
.figure{margin:.1rem 0 0}
.figure b{font-size:2.9rem;line-height:1;font-weight:600;font-variant-numeric:tabular-nums}
.figure .unit{font-size:1.2rem}
.figure .warm{float:right;font-size:1.3rem;padding-top:1.3rem;font-variant-numeric:tabular-nums}
.strip{display:block;width:100%;height:auto;overflow:visible}
.strip .rule{stroke:var(--soft);stroke-width:1}
.strip .aim{stroke:var(--ink);stroke-width:2}
.strip .top{fill:none;stroke:var(--bad);stroke-width:2}
.strip .now{fill:var(--rh)}
.strip text{font-size:13px;text-anchor:middle;fill:var(--soft)}
.told{border-left:.4rem solid var(--edge);padding:.3rem .6rem}
.told.bad{border-color:var(--bad);background:var(--bad-ground)}
.told.good{border-color:var(--good);background:var(--good-ground)}
.told a{font-weight:600;display:inline-block;padding:.15rem 0}
.then .figure b,.then .why,.unheard .figure b,.unheard .why{color:var(--soft);font-style:italic}
.then .strip,.unheard .strip,.unheard .chart{opacity:.6}
figure{margin:.4rem 0 0}
.messages,.notes{padding-left:0;list-style:none;margin:.3rem 0}
main>section:first-of-type h2{border:0}
.messages li,.notes li{margin:.4rem 0}
h2{margin:1.6rem 0 .4rem;border-top:1px solid var(--rule);padding-top:.6rem}
h3{font-size:1rem;margin:0 0 .3rem}
dl{display:grid;grid-template-columns:auto 1fr;gap:.25rem .9rem;margin:.3rem 0}
dt{color:var(--soft)}
dd{margin:0}
code{font-size:.9em}
form.ask{border-left:1px solid var(--rule);padding:.1rem 0 .3rem .8rem;margin:.9rem 0}
form p{display:flex;flex-wrap:wrap;align-items:center;gap:.2rem .6rem}
form button{margin:.3rem 0}
form label{min-width:9.5rem}
.tick label{min-width:0;flex:1}
input,select,textarea,button{font:inherit;color:var(--ink);background:var(--field);
border:1px solid var(--edge);border-radius:0;padding:.45rem .5rem;min-height:2.75rem;max-width:100%}
input[type=checkbox]{width:1.5rem;height:1.5rem;min-height:0;accent-color:var(--act)}
textarea{width:100%}
input.figure{width:6rem}
[aria-invalid=true]{border:2px solid var(--bad)}
.problem{color:var(--bad);flex-basis:100%}
button{background:var(--act);color:var(--on-act);border-color:var(--act);font-weight:600;
padding:.5rem 1rem;cursor:pointer}
button.small{background:none;color:var(--ink);font-weight:400}
summary{padding:.55rem 0;cursor:pointer}
.who p{gap:.2rem .5rem}
.who label{min-width:0}
footer nav,.turn{display:flex;flex-wrap:wrap;gap:0 1rem}
footer nav a,.turn a,.again{padding:.6rem 0;margin:0}
.room-row h2,#elsewhere{border-top:3px double var(--ink)}
.room-row:first-child h2,h2+.room-row h3{border:0}
.room-row h3{font-size:1.125rem;border-top:1px solid var(--rule);margin:1.1rem 0 .3rem;padding-top:.5rem}
h2+.room-row h3{margin-top:0;padding-top:0}
#elsewhere{font-size:1.25rem}
.room-row h2 a{display:inline-block;padding:.3rem 0}
.room-row .figure b{font-size:2rem}
@media (min-width:46rem){
.first{display:grid;gap:0 2rem;
grid-template:"why why" auto "reading tank" auto "reading alarms" 1fr "chart chart" auto/1fr 1fr}
#why{grid-area:why}
#reading{grid-area:reading}
#tank{grid-area:tank}
#alarms{grid-area:alarms}
#chart{grid-area:chart}
.tell{columns:2;column-gap:2rem}
.tell h2{column-span:all}
.tell form{break-inside:avoid}
}
@media (prefers-contrast:more){:root{--soft:var(--ink)}}
"""
