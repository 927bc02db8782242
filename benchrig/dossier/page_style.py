"""The style sheet of the page: narrow and wide, light and dark, and on paper.

Owns layout and where each colour of the palette goes. Must not know content. On a screen narrower than 40 em each row
of a table becomes a card, with the heading of its column before each value.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.dossier.palette import DARK, LIGHT

if TYPE_CHECKING:
    from collections.abc import Mapping


def _variables(colours: Mapping[str, str]) -> str:
    return "".join(f"--{name}:{colour};" for name, colour in colours.items())


_PAINT = "".join(
    f".t-{name}{{color:var(--{name})}}.v-{name}{{border-color:var(--{name})}}"
    for name in ("pass", "fail", "undecided", "bench-error", "not-run", "waived")
) + "".join(f".f-{name}{{fill:var(--{name})}}.s-{name}{{stroke:var(--{name})}}" for name in LIGHT)

_LAYOUT = """
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0 auto;max-width:62rem;padding:1rem;background:var(--paper);color:var(--ink);
font:1rem/1.5 system-ui,"DejaVu Sans",Verdana,sans-serif;overflow-wrap:anywhere;font-variant-numeric:tabular-nums}
a{color:var(--link)}
.skip{position:absolute;left:-99rem}
.skip:focus{position:static}
h1{font-size:2.2rem;line-height:1.15;margin:0}
h2{font-size:1.35rem;margin:2.4rem 0 .6rem;padding-top:.5rem;border-top:2px solid var(--ink)}
h3{font-size:1rem;margin:1.4rem 0 .4rem}
p,ul{margin:.5rem 0}
ul{padding-left:1.2rem}
li{margin:.35rem 0}
.kind{margin:0;color:var(--soft);letter-spacing:.04em}
.sub,.next,figcaption,footer{color:var(--soft)}
.simulated{border:3px solid var(--ink);padding:.6rem .8rem;font-size:1.25rem;font-weight:700;margin:0 0 1rem}
.alarm{border:3px double var(--fail);padding:.2rem .8rem;margin:0 0 1rem;font-weight:600}
.verdict{border-left:.5rem solid;background:var(--panel);padding:.7rem 1rem;margin:1rem 0}
.verdict p{margin:0;font-size:1.1rem}
.verdict .word{font-size:1.5rem}
.mark{font-weight:700;white-space:nowrap}
.sign,.strong{font-weight:700}
nav ul{list-style:none;padding:0;display:flex;flex-wrap:wrap;gap:.2rem 1.1rem}
nav li{margin:0}
nav a{display:inline-block;padding:.3rem 0}
table{width:100%;border-collapse:collapse;margin:1.2rem 0;table-layout:fixed;font-size:.9rem}
caption{text-align:left;font-weight:600;padding:.3rem 0;font-size:1rem}
th,td{text-align:left;vertical-align:top;padding:.3rem .6rem .3rem 0;border-bottom:1px solid var(--grid)}
thead th{border-bottom:1px solid var(--ink);color:var(--soft);font-weight:600}
tbody th{font-weight:500}
code,pre{font-family:ui-monospace,"DejaVu Sans Mono",monospace;font-size:.85em}
dl{margin:.8rem 0}
dl div{display:grid;grid-template-columns:minmax(9rem,15rem) 1fr;gap:0 1rem;padding:.25rem 0;
border-bottom:1px solid var(--grid)}
dt{color:var(--soft)}
dd{margin:0}
.wide{overflow-x:auto;background:var(--panel);padding:.6rem .8rem}
pre{margin:0;overflow-wrap:normal}
pre span{display:block;min-height:1lh}
pre .say{white-space:pre-wrap;overflow-wrap:anywhere}
.about{display:block}
.figures{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,23rem),1fr));gap:1.4rem;align-items:start;
margin:1rem 0}
figure{margin:0;min-width:0}
figure svg{display:block;width:100%;max-width:34rem;height:auto}
.kept{grid-column:1/-1;overflow-x:auto}
.kept img{display:block;width:100%;min-width:34rem;background:#fff;padding:.4rem}
figcaption{font-size:.9rem;margin-top:.3rem}
.signature{margin:1.6rem 0;break-inside:avoid}
.signature div{display:grid;grid-template-columns:2fr 1fr 2fr;gap:1rem}
.signature span{border-top:1px solid var(--ink);margin-top:2.4rem;color:var(--soft);font-size:.85rem}
footer{margin-top:3rem;border-top:1px solid var(--edge);font-size:.85rem}
@media (max-width:40em){
h1{font-size:1.8rem}
dl div{grid-template-columns:1fr}
table,caption,tbody,tr,th,td{display:block}
thead{position:absolute;left:-99rem}
tbody tr{border:1px solid var(--edge);padding:.5rem .7rem;margin:.6rem 0}
tbody th{border:0;font-weight:700;padding:0 0 .2rem}
td{border:0;padding:.1rem 0;display:grid;grid-template-columns:6.2rem 1fr;gap:.6rem}
td::before{content:attr(data-head);color:var(--soft)}
td:empty{display:none}
.signature div{grid-template-columns:1fr}
}
@media print{
body{max-width:none;padding:0;font-size:9.5pt}
nav,.skip{display:none}
h2,h3,caption{break-after:avoid}
tr,figure,.verdict{break-inside:avoid}
.wide{overflow:visible}
pre{white-space:pre-wrap;font-size:7pt}
.figures{grid-template-columns:1fr 1fr}
@page{margin:16mm}
}
"""

STYLE = (
    f":root{{color-scheme:light dark;{_variables(LIGHT)}}}"
    f"@media screen and (prefers-color-scheme:dark){{:root{{{_variables(DARK)}}}}}"
    f"{_LAYOUT.replace(chr(10), '')}{_PAINT}"
)
