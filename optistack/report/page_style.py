"""The style sheet of the page: typographic, light and dark, for phones and for paper."""

from __future__ import annotations

STYLE = """
:root{--paper:#fbfaf7;--ink:#1d2226;--soft:#555d63;--rule:#d6d3ca;--tint:#f1efe8;--mark:#a3195b;
--link:#155e95}
@media (prefers-color-scheme:dark){:root{--paper:#16191c;--ink:#e4e2dc;--soft:#a9aeb2;
--rule:#3a4045;--tint:#1f2428;--mark:#f08fb8;--link:#8fc3ec}}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);
font:1.0625rem/1.55 Charter,"Bitstream Charter","Iowan Old Style","Palatino Linotype",Georgia,serif}
header,main,footer{max-width:72rem;margin:0 auto;padding:0 1rem}
header{padding-top:2.2rem}
p,ul{max-width:43rem;margin:.6rem 0}
ul{padding-left:1.2rem}
li{margin:.25rem 0;overflow-wrap:anywhere}
h1,h2,h3,h4,p{overflow-wrap:anywhere}
h1{font-size:2rem;line-height:1.15;font-weight:600;margin:.1rem 0 .6rem}
h2{font-size:1.4rem;line-height:1.25;font-weight:600;margin:0 0 .6rem;padding-top:1.1rem;
border-top:2px solid var(--ink)}
h3{font-size:1.1rem;font-weight:600;margin:1.5rem 0 .3rem}
h4{font-size:1rem;font-weight:600;font-style:italic;margin:1rem 0 .2rem}
section{margin:2.6rem 0 0}
a{color:var(--link)}
.kind{margin:0;color:var(--soft);font-style:italic}
.about{color:var(--soft)}
.invented{border-left:3px solid var(--mark);padding:.2rem 0 .2rem .8rem;margin:.9rem 0}
.lead{font-size:1.32rem;line-height:1.4;margin:.4rem 0 .8rem}
.second{font-size:1.1rem;margin-top:1.5rem}
.small,figcaption,.caption,.notes,footer{font-size:.9rem;line-height:1.45;color:var(--soft)}
nav ol{list-style:none;padding:0;margin:1.2rem 0 0;display:flex;flex-wrap:wrap;gap:.2rem 1.3rem}
nav a{display:inline-block;padding:.25rem 0}
.nb{white-space:nowrap}
.table{margin:1.4rem 0}
.caption{margin:0 0 .35rem}
.scroll{overflow-x:auto;max-width:100%}
.scroll:focus-visible{outline:2px solid var(--link);outline-offset:3px}
table{border-collapse:collapse;font:.85rem/1.35 "Helvetica Neue",Arial,"Liberation Sans",sans-serif;
font-variant-numeric:tabular-nums lining-nums}
.range{display:block;font-size:.82em;color:var(--soft)}
p .range,li .range{display:inline;font-size:1em;color:inherit}
th,td{padding:.3rem .7rem .3rem 0;vertical-align:top;text-align:right;
border-bottom:1px solid var(--rule)}
thead th{vertical-align:bottom;border-bottom:1.5px solid var(--ink);font-weight:600}
thead td{border-bottom:0}
th{font-weight:600;text-align:left}
th.number{text-align:right}
tbody th{font-weight:400;vertical-align:top;min-width:7rem;max-width:16rem;overflow-wrap:anywhere}
td{white-space:nowrap}
td.word{text-align:left;white-space:normal;min-width:5rem;max-width:16rem;overflow-wrap:anywhere}
thead tr:first-child:not(:last-child) th{text-align:left;padding-left:1rem;
border-bottom:1px solid var(--rule)}
table.filters tbody th{min-width:1.5rem}
table.filters th,table.filters td{padding-right:.5rem}
table.filters td:nth-child(4),table.filters td:nth-child(9),table.filters th:nth-child(4),
table.filters th:nth-child(9){padding-left:.8rem}
table.filters th.number{max-width:6.5rem}
.span{display:block;white-space:nowrap}
th:last-child,td:last-child{padding-right:0}
table.prose td.word:nth-child(5){min-width:17rem;max-width:26rem}
table.prose td.word:nth-child(3){min-width:3rem}
.hash{font-family:"DejaVu Sans Mono",Menlo,Consolas,monospace;font-size:.72rem;
overflow-wrap:anywhere;word-break:break-all;white-space:normal}
table .hash{display:inline-block;min-width:10rem;max-width:13rem}
.faint{color:var(--soft);font-style:italic}
.figures{columns:25rem 2;column-gap:2rem;margin:1.4rem 0}
figure{margin:0 0 1.6rem;max-width:31rem;break-inside:avoid}
.card{background:#fff;border:1px solid var(--rule);padding:.35rem;border-radius:3px}
.card img{display:block;width:100%;height:auto;margin:0 auto}
figcaption{padding-top:.5rem}
figcaption strong{color:var(--ink);font-weight:600}
footer{margin-top:3rem;padding-top:.8rem;padding-bottom:3rem}
footer p{max-width:none;border-top:1px solid var(--rule);padding-top:.8rem}
@media (max-width:30rem){body{font-size:1rem}header,main,footer{padding-left:.85rem;
padding-right:.85rem}h1{font-size:1.65rem}.lead{font-size:1.18rem}
.card{padding:.1rem}tbody th{min-width:5.5rem;max-width:10rem}}
@media print{:root{--paper:#fff;--ink:#000;--soft:#333;--rule:#bbb;--tint:#fff;--mark:#000;
--link:#000}
@page{margin:16mm 14mm}
body{font-size:10.5pt}header,main,footer{max-width:none;padding:0}nav{display:none}
h2,h3,h4,.caption{break-after:avoid}figure,tr,li,.lead{break-inside:avoid}
.figures{columns:auto}figure{max-width:12cm;margin-bottom:6mm}
.scroll{overflow:visible}table{font-size:7.5pt}th,td{padding-right:.5em}
td,td.word,tbody th{white-space:normal;min-width:0}
table .hash{min-width:0;font-size:6pt}thead{display:table-header-group}
table.prose td.word:nth-child(5){min-width:0}}
"""
