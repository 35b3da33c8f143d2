"""A report as one file of HTML that needs nothing else: style and pictures are inside, and no request leaves it.

Every text is escaped. The page's own policy forbids scripts and loading, should a text ever slip through.
"""

from __future__ import annotations

from html import escape

from obdwatch.reporting.document import (
    Block,
    Bullets,
    Document,
    Paragraph,
    Section,
    Subheading,
    Table,
    Tone,
    with_texts,
)
from obdwatch.reporting.holding import held
from obdwatch.reporting.plots import Plot
from obdwatch.reporting.svg import svg

POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
STYLE = """
:root { color-scheme: light dark; --ink: #1b1f24; --quiet: #57606a; --paper: #fff; --rule: #d0d7de; --accent: #1f63ad; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #e6e9ed; --quiet: #a3adb8; --paper: #14171b; --rule: #3a424b; --accent: #6db1ff; }
}
* { box-sizing: border-box; }
body { margin: 0; background: var(--paper); color: var(--ink); font: 1rem/1.5 system-ui, sans-serif; }
main { max-width: 48rem; margin: 0 auto; padding: 1.25rem 1rem 3rem; overflow-wrap: anywhere; }
h1 { font-size: 1.6rem; line-height: 1.25; margin: 0 0 .25rem; }
h2 { font-size: 1.25rem; margin: 2.25rem 0 .5rem; padding-bottom: .2rem; border-bottom: 1px solid var(--rule); }
h3 { font-size: 1rem; margin: 1.4rem 0 .25rem; }
p { margin: .4rem 0; }
ul, ol { margin: .4rem 0; padding-left: 1.25rem; }
li { margin: .25rem 0; }
.lead { font-size: 1.15rem; }
.quiet { color: var(--quiet); }
.caution { border-left: 3px solid var(--accent); padding-left: .7rem; }
figure { margin: 1rem 0; }
figcaption { font-weight: 600; font-size: .95rem; }
svg { display: block; max-width: 100%; height: auto; }
svg.narrow { display: none; }
svg text { font: 12px system-ui, sans-serif; fill: var(--quiet); }
.grid { stroke: var(--rule); stroke-width: .6; }
.axis, .tick { stroke: var(--quiet); stroke-width: 1; }
.curve, .dashed { fill: none; stroke: var(--accent); stroke-width: 1.6; stroke-linejoin: round; stroke-linecap: round; }
.dashed { stroke-dasharray: 5 4; }
.dot { fill: var(--accent); }
.hollow { fill: var(--paper); stroke: var(--accent); stroke-width: 1.4; }
.band, .area { fill: var(--accent); opacity: .16; }
.limit { stroke: var(--quiet); stroke-width: 1.2; stroke-dasharray: 6 4; }
.place { stroke: var(--quiet); stroke-width: 1.2; stroke-dasharray: 2 3; }
.scrolls { overflow-x: auto; margin: .6rem 0; }
table { border-collapse: collapse; width: 100%; font-size: .93rem; }
th, td { text-align: left; vertical-align: top; padding: .35rem .8rem .35rem 0; border-bottom: 1px solid var(--rule);
  overflow-wrap: break-word; }
thead th { color: var(--quiet); font-weight: 600; }
tbody th { font-weight: 400; }
.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
thead .number { white-space: normal; }
.unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
@media (max-width: 44rem) {
  svg.wide { display: none; } svg.narrow { display: block; width: 100%; }
  table { font-size: .85rem; } th, td { padding-right: .5rem; } .number { white-space: normal; }
  .stacks, .stacks tbody, .stacks tr, .stacks tbody th { display: block; }
  .stacks thead { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
  .stacks tr { border-bottom: 1px solid var(--rule); padding: .4rem 0; }
  .stacks th, .stacks td { border: 0; padding: 0; font-size: .93rem; }
  .stacks tbody th { font-weight: 600; }
  .stacks td { display: inline-block; text-align: left; margin-right: 1rem; }
  .stacks td::before { content: attr(data-label) " "; color: var(--quiet); }
}
@page { margin: 14mm; }
@media print {
  :root { color-scheme: light; --ink: #000; --quiet: #444; --paper: #fff; --rule: #bbb; --accent: #1f63ad; }
  body { font-size: 10pt; } main { max-width: none; padding: 0; }
  svg.wide { display: block; } svg.narrow { display: none; }
  h2, h3 { break-after: avoid; } figure, tr, li { break-inside: avoid; }
}
""".strip()


def page(document: Document) -> str:
    """Return the document as a whole page of HTML."""
    document = with_texts(document, held)
    title = escape(document.title)
    sections = "\n".join(_section(number, one) for number, one in enumerate(document.sections, 1))
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>\n{STYLE}\n</style>\n</head>\n<body>\n<main>\n"
        f'<h1>{title}</h1>\n<p class="quiet">{escape(document.made)}</p>\n{sections}\n</main>\n</body>\n</html>\n'
    )


def _section(number: int, section: Section) -> str:
    blocks = "\n".join(_block(block) for block in section.blocks)
    return (
        f'<section aria-labelledby="part-{number}">\n<h2 id="part-{number}">{escape(section.heading)}</h2>\n'
        f"{blocks}\n</section>"
    )


def _block(block: Block) -> str:
    if isinstance(block, Paragraph):
        kind = f' class="{block.tone.value}"' if block.tone is not Tone.PLAIN else ""
        return f"<p{kind}>{escape(block.text)}</p>"
    if isinstance(block, Subheading):
        return f"<h3>{escape(block.text)}</h3>"
    if isinstance(block, Bullets):
        kind = "ol" if block.numbered else "ul"
        return f"<{kind}>{''.join(f'<li>{escape(item)}</li>' for item in block.items)}</{kind}>"
    return _table(block) if isinstance(block, Table) else _figure(block)


def _table(table: Table) -> str:
    def number(place: int) -> str:
        return ' class="number"' if place in table.numeric else ""

    def label(place: int) -> str:
        return f' data-label="{escape(table.columns[place])}"' if stacks else ""

    # Words beside several numbers have no room on a phone: there each row becomes a block with its own labels.
    stacks = len(table.columns) > 3 and len(table.numeric) < len(table.columns) - 1
    head = "".join(f'<th scope="col"{number(n)}>{escape(text)}</th>' for n, text in enumerate(table.columns))
    rows = "\n".join(
        f'<tr><th scope="row">{escape(row[0])}</th>'
        + "".join(f"<td{number(n)}{label(n)}>{escape(cell)}</td>" for n, cell in enumerate(row[1:], 1))
        + "</tr>"
        for row in table.rows
    )
    caption, look = escape(table.caption), ' class="stacks"' if stacks else ""
    return (
        f'<div class="scrolls" role="region" tabindex="0" aria-label="{caption}"><table{look}>'
        f'<caption class="unseen">{caption}</caption><thead><tr>{head}</tr></thead>\n'
        f"<tbody>\n{rows}\n</tbody></table></div>"
    )


def _figure(plot: Plot) -> str:
    return f"<figure><figcaption>{escape(plot.title)}</figcaption>\n{svg(plot)}\n{svg(plot, wide=False)}\n</figure>"
