// The style sheet of the HTML report. A constant: any thread may read.
#pragma once

namespace bayward::cli::report {

inline constexpr const char* kHtmlStyle = R"css(
:root { color-scheme: light; }
body { margin: 0 auto; padding: 1.5rem 1.25rem 3rem; max-width: 62rem; background: #ffffff; color: #1f2328;
  font: 15px/1.5 "DejaVu Sans", "Segoe UI", "Helvetica Neue", Arial, sans-serif; }
h1 { font-size: 1.6rem; line-height: 1.25; margin: 0 0 .75rem; }
h2 { font-size: 1.2rem; margin: 2.4rem 0 .6rem; padding-top: .5rem; border-top: 2px solid #1f2328; }
p { margin: .6rem 0; max-width: 46rem; }
ul { margin: .6rem 0; padding-left: 1.2rem; max-width: 46rem; }
li { margin: .25rem 0; }
.heading { display: grid; grid-template-columns: max-content 1fr; gap: .15rem 1rem; margin: 0; }
.heading dt, .meanings dt { font-weight: 600; }
.heading dd { margin: 0; }
.meanings dd { margin: 0 0 .7rem; max-width: 46rem; }
nav ol { columns: 2; margin: .4rem 0 0; padding-left: 1.4rem; }
.missing { border-left: 6px double #1f2328; padding: .4rem .8rem; font-weight: 600; }
figure { margin: 1.2rem 0; }
figcaption { max-width: 46rem; }
.title { font-weight: 600; }
.wide { overflow-x: auto; margin: 1rem 0; }
table { border-collapse: collapse; font-size: .9em; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-weight: 600; padding: .2rem 0 .4rem; }
th, td { padding: .22rem .65rem .22rem 0; text-align: right; vertical-align: top; unicode-bidi: isolate; }
th { vertical-align: bottom; font-weight: 600; border-bottom: 1px solid #1f2328; }
tbody td, tbody th { border-bottom: 1px solid #dcdfe3; }
tbody th { font-weight: 400; vertical-align: top; overflow-wrap: anywhere; min-width: 7rem; }
td { white-space: nowrap; }
.words { text-align: left; }
tfoot td, tfoot th { font-weight: 600; vertical-align: top; border-top: 1px solid #1f2328; border-bottom: 0; }
.beneath { font-size: .9em; }
svg.chart { display: block; width: 100%; max-width: 46rem; height: auto; margin: .6rem 0;
  font-family: "DejaVu Sans", "Segoe UI", "Helvetica Neue", Arial, sans-serif; }
svg.bar { display: block; width: 160px; height: 16px; }
svg.hidden { position: absolute; }
a { color: #234a73; }
@page { size: A4; margin: 16mm 14mm 18mm; }
@media print {
  body { padding: 0; max-width: none; font-size: 9.5pt; }
  table { font-size: 8pt; }
  th, td { padding-right: .5rem; }
  h2 { break-after: avoid; }
  svg, tr, li, .missing, figcaption, .short { break-inside: avoid; }
  figcaption, caption { break-after: avoid; }
  thead { display: table-header-group; }
  tfoot { display: table-row-group; }
  .wide { overflow: visible; }
  svg.bar { width: 110px; height: 11px; }
  a { color: inherit; text-decoration: none; }
  .sheet { break-before: page; }
}
)css";

}  // namespace bayward::cli::report
