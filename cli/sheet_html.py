"""A job sheet as HTML: one file, nothing loaded from anywhere, made to be printed."""

from __future__ import annotations

from html import escape
from typing import Any

from cli.sheet_content import Content

STYLE = """
*{box-sizing:border-box}
body{font:10.5pt/1.35 Arial,Helvetica,'DejaVu Sans',sans-serif;color:#000;background:#fff;margin:1.5em auto;
max-width:52em;padding:0 1em;overflow-wrap:anywhere}
h1{font-size:17pt;margin:0 0 .3em}h2{font-size:13pt;margin:1.1em 0 .2em;border-top:2px solid #000;
padding-top:.3em}
h3{font-size:11pt;margin:1em 0 .2em}p{margin:.2em 0}table{border-collapse:collapse;width:100%;margin:.3em 0}
th,td{text-align:left;vertical-align:top;padding:.15em .6em .15em 0;border-bottom:1px solid #bbb}
th{font-weight:bold;width:12em}td.at{width:11.5em;white-space:nowrap}td.name{width:10em;font-weight:bold}
.warn{border:2px solid #000;padding:.3em .6em;font-weight:bold;margin:.4em 0}
.measured{border:1px solid #000;padding:.4em .6em;margin:.5em 0;break-inside:avoid}
.measured .result{font-size:12pt;font-weight:bold}.pictures{display:flex;gap:1em;flex-wrap:wrap}
.pictures>*{flex:1 1 18em;min-width:0;max-width:27em}svg{width:100%;height:auto}
.small{font-size:9pt}ul{margin:.2em 0;padding-left:1.3em}
.sign{display:flex;gap:2em;margin-top:2.2em;break-inside:avoid}
.sign div{flex:1;border-top:1px solid #000;padding-top:.2em}
@media print{body{margin:0;max-width:none;padding:0;font-size:9.5pt}
@page{size:A4;margin:14mm}h2,h3{break-after:avoid}}
""".strip()


POLICY = "default-src 'none'; style-src 'unsafe-inline'"
"""Nothing is fetched and nothing runs, whatever the sheet says."""


def html_sheet(content: Content) -> str:
    """Set a job sheet as HTML.

    Args:
        content: What stands on it; every text is escaped here.
    """
    body = [f"<h1>{_e(content['title'])}</h1>"]
    body += [f'<p class="warn">{_e(text)}</p>' for text in (content["simulated"], content["open"]) if text]
    body.append(_pairs(content["facts"]))
    body += ["<h3>What was outside, and what was done about it</h3>", _pairs(content["summary"])]
    for corner in content["corners"]:
        body.append(f"<section><h2>{_e(corner['name'])}</h2>")
        body.append(f"<p>{_e(corner['hub'])}</p><p>{_e(corner['limits'])}</p>")
        if corner["place"]:
            body.append(f'<p class="warn">Not done: {_e(corner["place"])}</p>')
        body += [*_course(corner["course"]), "</section>"]
    for title, rows in (("Notes", content["notes"]), ("Corrections", content["corrections"])):
        if rows:
            body += [f"<h2>{title}</h2>", *_course(rows)]
    if content["gauges"]:
        body += ["<h2>Gauges</h2>", _pairs(content["gauges"])]
    items = "".join(f"<li>{_e(text)}</li>" for text in content["cautions"])
    body += [f"<h2>Cautions</h2><ul>{items}</ul><p><strong>{_e(content['defers'])}</strong></p>"]
    body.append(f'<p class="small">{_e(content["legend"])}</p>')
    body.append('<div class="sign"><div>Name</div><div>Signature</div><div>Date</div></div>')
    body.append(f'<p class="small">{_e(content["made_by"])}, job {_e(content["job"])}</p>')
    title = f"{content['title']}: {content['facts'][0][1]}"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        f"<title>{_e(title)}</title>\n<style>\n{STYLE}\n</style></head>\n<body>\n"
        + "\n".join(body)
        + "\n</body></html>\n"
    )


def _e(text: object) -> str:
    return escape(str(text))


def _pairs(rows: list[list[str]]) -> str:
    return "<table>" + "".join(f"<tr><th>{_e(a)}</th><td>{_e(b)}</td></tr>" for a, b in rows) + "</table>"


def _course(items: list[dict[str, Any]]) -> list[str]:
    """Rows in tables, measurements in boxes between them."""
    parts: list[str] = []
    in_table = False
    for item in items:
        row = item["is"] == "row"
        if row != in_table:
            parts.append("<table>" if row else "</table>")
            in_table = row
        parts.append(_row(item) if row else _measured(item))
    return [*parts, "</table>"] if in_table else parts


def _row(item: dict[str, Any]) -> str:
    who = f" ({_e(item['who'])})" if item["who"] else ""
    return (
        f'<tr><td class="at">{_e(item["at"])}</td><td class="name">{_e(item["name"])}</td>'
        f"<td>{_e(item['text'])}{who}</td></tr>"
    )


def _measured(item: dict[str, Any]) -> str:
    mark = f" <strong>{_e(item['mark'])}</strong>" if item["mark"] else ""
    notes = "".join(f'<p class="small">{_e(note)}</p>' for note in item["notes"])
    pictures = "".join(f"<div>{item[name]}</div>" for name in ("ruler", "trace") if item[name])
    return (
        f'<div class="measured"><p><strong>{_e(item["name"])}</strong>, {_e(item["at"])}{mark}</p>'
        f'<p><span class="result">{_e(item["result"])}</span> &nbsp; {_e(item["other"])}</p>'
        f"<p>{_e(item['verdict'])}</p>"
        f'<div class="pictures">{pictures}</div><p class="small">{_e(item["seen"])}</p>{notes}</div>'
    )
