"""How the page looks: on a screen in light and dark, and on A4."""

CSS = """
:root {
  color-scheme: light dark;
  --paper: #ffffff; --ink: #1d1d1d; --soft: #5c5c5c; --line: #d4d4d4; --faint: #ececec;
  --good: #14532d; --bad: #8f1d14;
}
@media (prefers-color-scheme: dark) {
  :root {
    --paper: #1c1c1c; --ink: #e6e6e6; --soft: #a8a8a8; --line: #444444; --faint: #2c2c2c;
    --good: #8fd3a4; --bad: #ff9d92;
  }
}
* { box-sizing: border-box; }
body {
  margin: 0 auto; padding: 2.5rem 1.5rem 4rem; max-width: 62rem;
  background: var(--paper); color: var(--ink);
  font: 15px/1.55 system-ui, "Helvetica Neue", Arial, sans-serif;
  font-variant-numeric: tabular-nums;
}
h1, h2, h3 { font-weight: 600; line-height: 1.25; margin: 0; }
h1 { font-size: 1.9rem; }
h2 { font-size: 1.3rem; margin-top: 3.2rem; padding-top: .9rem; border-top: 1px solid var(--line); }
h3 { font-size: 1.05rem; margin-top: 2.2rem; }
h4 { font-size: .93rem; font-weight: 600; margin: 1.4rem 0 .3rem; }
p { margin: .5rem 0; max-width: 46rem; }
ul li { max-width: 46rem; }
.soft { color: var(--soft); }
.verdict { margin: 1.4rem 0 .4rem; font-size: 1.25rem; font-weight: 600; }
.verdict.good, td .good { color: var(--good); }
.verdict.bad, td .bad { color: var(--bad); }
td .bad { font-weight: 600; }
ul { padding-left: 1.1rem; margin: .4rem 0; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; margin: .9rem 0; font-size: .87rem; }
caption { text-align: left; color: var(--soft); padding-bottom: .35rem; }
th, td {
  text-align: left; padding: .28rem .9rem .28rem 0; border-bottom: 1px solid var(--faint);
  vertical-align: middle;
}
th { font-weight: 500; }
tbody th { min-width: 8.5em; overflow-wrap: anywhere; }
sub { line-height: 0; }
thead th { color: var(--soft); border-bottom: 1px solid var(--line); vertical-align: bottom; }
th.n, td.n { text-align: right; white-space: nowrap; }
td:last-child, th:last-child { padding-right: 0; }
.row { display: flex; flex-wrap: wrap; gap: 1.6rem; align-items: flex-start; margin: 1rem 0; }
figure { margin: 0; flex: 1 1 18rem; min-width: 0; }
figure.large { flex: 2 1 26rem; }
figcaption { color: var(--soft); font-size: .84rem; margin-top: .35rem; }
svg, img { display: block; max-width: 100%; }
svg.chart, svg.plot { width: 100%; height: auto; }
svg.chart { max-width: 38rem; }
svg.plot { max-width: 26rem; }
svg.drift { width: 100%; height: auto; }
svg text { fill: var(--ink); font-family: inherit; }
svg.chart text { fill: #000; }
svg .tick { font-size: 9.5px; fill: var(--soft); }
svg .label { font-size: 11px; }
svg.plot path, svg.drift path { fill: none; }
svg .grid { stroke: var(--faint); }
svg .axis { stroke: var(--soft); stroke-width: .8; }
svg .error { stroke: var(--ink); stroke-width: 1.1; }
svg .ring { fill: none; stroke: var(--ink); stroke-width: 1; }
svg .dot { stroke: var(--ink); stroke-width: .8; }
svg .faint { opacity: .7; }
svg .line { stroke: var(--ink); stroke-width: 1.4; }
svg .before { stroke-dasharray: 4 3; stroke-width: 1; }
svg .stem { stroke: var(--line); }
svg .limit { stroke: var(--ink); stroke-dasharray: 2 3; }
svg.swatch { width: 3.4rem; height: 1.35rem; }
img.frame { width: 100%; max-width: 22rem; }
img.small { height: 2.6rem; width: auto; max-width: 5rem; object-fit: contain; }
.notes { font-size: .87rem; }
@page { size: A4; margin: 14mm 13mm; }
@media print {
  :root {
    --paper: #ffffff; --ink: #000000; --soft: #444444; --line: #bbbbbb; --faint: #dddddd;
    --good: #000000; --bad: #000000;
  }
  html { font-size: 10.5px; }
  body { padding: 0; max-width: none; font-size: 1rem; }
  svg, img { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  h2 { margin-top: 2rem; }
  section.chart { break-before: page; }
  section.chart h2 { border-top: 0; padding-top: 0; margin-top: 0; }
  h2, h3, h4, h3 + p, caption { break-after: avoid; }
  th, td { padding: .18rem .6rem .18rem 0; }
  img.small { height: 1.7rem; }
  figure, tr, .row { break-inside: avoid; }
  .wide { overflow: visible; }
  thead { display: table-header-group; break-after: avoid; }
  tbody tr:nth-child(-n+3) { break-before: avoid; }
}
"""
