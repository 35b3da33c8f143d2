"""The job sheet as one page of HTML that needs nothing else: to print, or to look at on a phone under the bonnet."""

from __future__ import annotations

from html import escape

from obdwatch.planning.job_sheet import JobSheet, SheetSection

STYLE = """
:root { color-scheme: light dark; }
body { font: 1rem/1.5 system-ui, sans-serif; max-width: 46rem; margin: 0 auto; padding: 1rem; overflow-wrap: anywhere; }
h1 { font-size: 1.4rem; line-height: 1.25; }
h2 { font-size: 1.1rem; margin: 1.5rem 0 .25rem; border-bottom: 1px solid; break-after: avoid; }
h3 { font-size: 1rem; margin: .75rem 0 0; break-after: avoid; }
ul, ol { margin: 0; padding: 0; list-style: none; }
li { display: flex; gap: .6rem; padding: .3rem 0; break-inside: avoid; }
label { display: contents; }
input { flex: none; width: 1.25rem; height: 1.25rem; margin: .15rem 0 0; }
.number { flex: none; min-width: 1.5rem; text-align: right; font-variant-numeric: tabular-nums; }
@media print { body { font-size: 10.5pt; padding: 0; } }
""".strip()


def sheet_html(sheet: JobSheet) -> str:
    """Return the sheet as a whole HTML document; every text in it is escaped."""
    above = ("", *(section.heading for section in sheet.sections))
    sections = "\n".join(
        _section(section, section.heading != before) for before, section in zip(above, sheet.sections, strict=False)
    )
    title = escape(sheet.title)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>\n{STYLE}\n</style>\n</head>\n<body>\n<main>\n"
        f"<h1>{title}</h1>\n<p>{escape(sheet.summary)}</p>\n{sections}\n</main>\n</body>\n</html>\n"
    )


def _section(section: SheetSection, is_first: bool) -> str:
    kind = "ol" if section.numbered else "ul"
    lines = "\n".join(
        _line(text, f"{number}." if section.numbered else "") for number, text in enumerate(section.lines, 1)
    )
    heading = f"<h2>{escape(section.heading)}</h2>\n" if is_first else ""
    heading += f"<h3>{escape(section.of)}</h3>\n" if section.of else ""
    return f"<section>\n{heading}<{kind}>\n{lines}\n</{kind}>\n</section>"


def _line(text: str, number: str) -> str:
    count = f'<span class="number">{number}</span>' if number else ""
    return f'<li><label><input type="checkbox">{count}<span>{escape(text)}</span></label></li>'
