"""The page's one style sheet: screen from 360 px up, light and dark, and paper (A4 and Letter)."""

from __future__ import annotations

from typing import Final

CSS: Final = """
:root {
  color-scheme: light dark;
  --ink: #1d2630; --soft: #52606d; --paper: #f4f6f8; --card: #ffffff; --line: #d5dce3;
  --mark: #7a1f7e; --yes: #1c6b45; --no: #a3201a; --open: #7d5200; --link: #2420cc;
}
@media screen and (prefers-color-scheme: dark) {
  :root {
    --ink: #e8edf2; --soft: #a9b6c2; --paper: #12171c; --card: #1b2229; --line: #37424d;
    --mark: #e0a3e4; --yes: #7fd0a5; --no: #ff9f94; --open: #f0c26a; --link: #a9b4ff;
  }
}
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body {
  margin: 0; background: var(--paper); color: var(--ink);
  font: 16px/1.45 system-ui, -apple-system, "Segoe UI", Roboto, "Noto Sans", "Liberation Sans", sans-serif;
}
p, li, dd, h1, h2, bdi { overflow-wrap: anywhere; }
main, header, footer { max-width: 68rem; margin: 0 auto; padding: 0 1rem; }
header { padding-top: 1rem; color: var(--soft); }
header p, footer p { margin: 0.2rem 0; }
footer { padding-bottom: 2rem; color: var(--soft); font-size: 0.9rem; }
a { color: var(--link); }
a:focus-visible, .scroll:focus-visible { outline: 3px solid var(--link); outline-offset: 2px; }
.skip { position: absolute; left: -100vw; }
.skip:focus { left: 1rem; top: 0.5rem; background: var(--card); padding: 0.5rem; }
.sheet {
  background: var(--card); border: 1px solid var(--line); border-radius: 10px;
  padding: 1rem 1.25rem; margin: 1rem 0;
}
h1, h2, .sub { line-height: 1.2; margin: 0.2rem 0 0.6rem; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.35rem; } .sub { font-size: 1.08rem; margin-top: 1.1rem; }
.model { color: var(--soft); font-weight: normal; font-size: 0.8em; }
.verdict { font-size: 1.15rem; font-weight: 600; border-left: 6px solid; padding: 0.3rem 0 0.3rem 0.7rem; }
.verdict, .word { margin: 0.5rem 0; }
.word { font-weight: 600; margin: 0; overflow-wrap: normal; }
.consistent { color: var(--yes); } .not-consistent { color: var(--no); } .undecided { color: var(--open); }
.mark { border: 2px solid var(--mark); border-radius: 8px; padding: 0.5rem 0.8rem; margin: 0.6rem 0; }
.mark strong { color: var(--mark); font-size: 1.5rem; margin-right: 0.6rem; white-space: nowrap; }
.scroll { overflow-x: auto; margin: 0.4rem 0; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; font-size: 0.95rem; }
caption { width: 0; min-width: min(100%, 86vw); }
caption { text-align: left; color: var(--soft); font-size: 0.9rem; padding: 0.2rem 0; }
th, td { text-align: left; vertical-align: top; padding: 0.3rem 0.7rem 0.3rem 0; }
th, td { border-top: 1px solid var(--line); }
th:last-child, td:last-child { padding-right: 0; }
th { font-weight: 600; } thead th { border-top: 0; vertical-align: bottom; }
.values td, .values thead th:not(:first-child) { text-align: right; }
.values td, .findings td:nth-child(2), .glance td, .metrics td { white-space: nowrap; }
.grades td:nth-child(3) { white-space: nowrap; }
th bdi { display: inline-block; min-width: 3.5rem; }
.findings td:nth-child(3) { color: var(--soft); }
.odd { color: var(--mark); }
.rod th { width: 9rem; } .rod td { overflow-wrap: anywhere; }
.pair, .figures { display: grid; gap: 0.3rem 1.25rem; }
.pair, .figures { grid-template-columns: repeat(auto-fit, minmax(min(100%, 22rem), 1fr)); }
.pair { align-items: start; }
.figures.strips { grid-template-columns: repeat(auto-fit, minmax(min(100%, 16rem), 1fr)); }
.strips svg { max-width: 26rem; }
figure { margin: 0.5rem 0; min-width: 0; }
figure svg {
  display: block; width: 100%; max-width: 32rem; height: auto; background: #ffffff;
  border: 1px solid var(--line); border-radius: 6px; padding: 6px;
}
figure svg text {
  font-family: system-ui, "Segoe UI", Roboto, "Noto Sans", "Liberation Sans", sans-serif !important;
}
figcaption { color: var(--soft); font-size: 0.88rem; margin-top: 0.25rem; }
.warnings { border-left: 4px solid var(--open); padding: 0.1rem 0 0.1rem 0.8rem; margin: 0.6rem 0; }
.warnings .sub { margin-top: 0.2rem; } .warnings ul, .todo { margin: 0.2rem 0; padding-left: 1.2rem; }
dl.facts { display: grid; grid-template-columns: max-content 1fr; gap: 0.1rem 0.9rem; }
dl.facts { margin: 0.7rem 0; font-size: 0.92rem; }
dl.facts dt { color: var(--soft); } dl.facts dd { margin: 0; }
@media (max-width: 30rem) {
  .sheet { padding: 0.7rem 0.75rem; border-radius: 0; margin: 0.6rem -1rem; border-left: 0; border-right: 0; }
  table { font-size: 0.88rem; } th:not(:last-child), td:not(:last-child) { padding-right: 0.5rem; }
  .findings td:nth-child(2), .metrics td { white-space: normal; }
  .metrics th:nth-child(4), .metrics td:nth-child(4) { display: none; }
}
@page { margin: 10mm; }
@media print {
  :root {
    --ink: #000000; --soft: #333333; --paper: #ffffff; --card: #ffffff; --line: #bbbbbb;
    --mark: #7a1f7e; --yes: #1c6b45; --no: #a3201a; --open: #7d5200; --link: #000000;
  }
  body { font-size: 9.5pt; line-height: 1.3; background: #ffffff; }
  main, header, footer { max-width: none; padding: 0; }
  .sheet { border: 0; border-radius: 0; padding: 0; margin: 0; }
  .sheet + .sheet { break-before: page; }
  .skip, .screen, nav { display: none; }
  header { padding: 0; } footer { padding: 0; }
  h1 { font-size: 15pt; } h2 { font-size: 14pt; } .sub { font-size: 10.5pt; margin: 0.4rem 0 0.1rem; }
  h1, h2, .sub, caption { break-after: avoid; }
  .mark { padding: 0.2rem 0.6rem; margin: 0.3rem 0; } .mark strong { font-size: 15pt; }
  table { font-size: 8.8pt; } caption, figcaption { font-size: 8pt; }
  th, td { padding-top: 0.1rem; padding-bottom: 0.1rem; }
  .scroll { overflow: visible; margin: 0.2rem 0; }
  .pair { grid-template-columns: 1.25fr 1fr; gap: 0 4mm; }
  .figures { grid-template-columns: 1fr 1fr; gap: 0 4mm; }
  .figures.strips { grid-template-columns: 1fr 1fr 1fr; }
  figure, tr, .scroll, .mark, .warnings { break-inside: avoid; }
  .pair figure svg { max-width: 68mm; }
  figure { margin: 0.15rem 0; }
  figure svg { border: 0; padding: 0; max-width: 80mm; }
  .with-rod .figures figure svg { max-width: 58mm; }
  figcaption { margin-top: 0; }
  dl.facts { font-size: 8pt; margin: 0.2rem 0; grid-template-columns: max-content 1fr max-content 1fr; }
  a { color: inherit; text-decoration: none; }
}
"""
"""Colours repeat what words say; figures keep a white ground in the dark; no font or image is fetched."""
