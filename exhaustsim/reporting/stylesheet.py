"""The look of the HTML report: one column on a screen, A4 in black and white on paper."""

STYLESHEET = """
:root { --ink: #1a1a1a; --faint: #666; --rule: #bbb; --band: #f1f1ee; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 1000px; padding: 18px 24px 40px; color: var(--ink); background: #fff;
  font: 15px/1.45 "DejaVu Sans", Verdana, Geneva, sans-serif; }
h1 { font-size: 15px; font-weight: normal; color: var(--faint); margin: 0 0 4px; }
h2 { font-size: 19px; margin: 34px 0 8px; padding-bottom: 3px; border-bottom: 2px solid var(--ink); }
h3 { font-size: 15px; margin: 20px 0 6px; }
p { margin: 6px 0; }
.answer { font-size: 19px; line-height: 1.4; font-weight: bold; margin: 0 0 10px; padding: 12px 16px;
  border-left: 6px solid var(--ink); background: var(--band); overflow-wrap: break-word; }
.answer span { display: block; margin-top: 6px; font-size: 16px; font-weight: normal; }
.legend { font-size: 11.5px; color: var(--faint); }
.caution { font-size: 13px; color: var(--faint); margin: 0 0 14px; }
table { border-collapse: collapse; width: 100%; margin: 8px 0 14px; font-size: 13px; }
caption { text-align: left; font-weight: bold; padding: 4px 0; }
th, td { padding: 4px 7px; text-align: right; vertical-align: top; border-bottom: 1px solid var(--rule); }
th { font-weight: normal; color: var(--faint); vertical-align: bottom; border-bottom: 1.5px solid var(--ink); }
th.text, td.text { text-align: left; overflow-wrap: break-word; }
td.value { white-space: nowrap; }
table:not(.small) td.text:first-child { min-width: 8em; }
.small table, table.small { font-size: 11.5px; }
table.small th, table.small td { padding: 2px 5px; }
.mark { display: inline-block; min-width: 52px; white-space: nowrap; padding: 0 6px; text-align: center; font-weight: bold;
  border: 1.5px solid var(--ink); }
.mark.stop, .mark.fails { background: var(--ink); color: #fff; }
.mark.warn, .mark.warns { background: #ddd; }
.mark.note, .mark.passes { background: #fff; }
.best td { background: var(--band); }
.missed { font-weight: bold; }
.flags { list-style: none; margin: 6px 0; padding: 0; }
.flags li { margin: 7px 0; padding-left: 74px; position: relative; }
.flags .mark { position: absolute; left: 0; font-size: 12px; }
.flags em { display: block; font-style: normal; color: var(--faint); }
figure { margin: 10px 0 16px; }
figure img { display: block; width: 100%; max-width: 900px; height: auto; }
figcaption { font-size: 12.5px; color: var(--faint); max-width: 900px; }
ul.plain { margin: 4px 0; padding-left: 20px; }
footer { margin-top: 30px; padding-top: 8px; border-top: 2px solid var(--ink); font-size: 12px; color: var(--faint);
  overflow-wrap: break-word; }
@media (max-width: 700px) { table { display: block; overflow-x: auto; } }
@page { size: A4; margin: 14mm 14mm 16mm; }
@media print {
  body { max-width: none; padding: 0; font-size: 9.5pt; }
  h1, th, .caution, .legend, figcaption, footer, .flags em { color: #000; }
  .answer { font-size: 12pt; background: none; }
  .answer span { font-size: 10.5pt; }
  table { font-size: 8pt; }
  .small table, table.small { font-size: 7pt; }
  .best td { background: none; font-weight: bold; }
  .mark.stop, .mark.fails { background: #fff; color: #000; border-width: 3px; }
  .mark.warn, .mark.warns { background: #fff; border-style: dashed; }
  h2, h3, caption, thead { break-after: avoid; }
  thead { display: table-header-group; }
  tr, li, figure, .answer { break-inside: avoid; }
  section.schedule, section.rests, section.sure { break-before: page; }
  .band { break-inside: avoid; }
  figure img { max-width: none; }
}
"""
