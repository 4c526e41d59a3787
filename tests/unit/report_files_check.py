"""Reads STEM.html, STEM.csv and STEM.json of a report with Python's own parsers. Exits 1 with a line a fault."""
import csv
import html.parser
import json
import re
import sys
import xml.etree.ElementTree as ElementTree

FAULTS = []
VOID = {"meta", "br", "hr", "img", "link", "input"}


def expect(holds, message):
    if not holds:
        FAULTS.append(message)


class Nesting(html.parser.HTMLParser):
    """What an HTML reader (no XML reader) makes of the page: every element it opens is closed in order."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open = []
        self.names = set()

    def handle_starttag(self, tag, attrs):
        self.names.add(tag)
        for name, value in attrs:
            expect(not name.startswith("on"), f"html: handler {name} on <{tag}>")
            outside = name == "src" or (name == "href" and not value.startswith("#"))
            expect(not outside, f"html: <{tag} {name}={value}>")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        expect(self.open and self.open[-1] == tag, f"html: </{tag}> closes {self.open[-1:]}")
        if self.open:
            self.open.pop()


def label_box(text):
    """Left, right, top, bottom of an unturned SVG text, half an em for a character: less than fonts take."""
    width = 0.5 * 12 * len("".join(text.itertext()))
    x, y = float(text.get("x")), float(text.get("y"))
    left = x - {"start": 0, "middle": width / 2, "end": width}[text.get("text-anchor")]
    return left, left + width, y - 9, y + 2


def check_chart(figure):
    svg = figure.find("svg")
    expect(svg is not None and figure.find(".//table") is not None, "html: a figure without its chart or its table")
    if svg is None:
        return
    title, desc = svg.find("title"), svg.find("desc")
    expect(title is not None and title.text and desc is not None and desc.text, "svg: no title or description")
    expect(svg.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}", "svg: not named by its title")
    _, _, width, height = (float(part) for part in svg.get("viewBox").split())
    boxes = [(label_box(text), "".join(text.itertext())) for text in svg.iter("text") if not text.get("transform")]
    for i, ((left, right, top, bottom), words) in enumerate(boxes):
        expect(left >= 0 and right <= width and top >= 0 and bottom <= height, f"svg: \"{words}\" leaves the chart")
        for (left2, right2, top2, bottom2), words2 in boxes[:i]:
            apart = right <= left2 or right2 <= left or bottom <= top2 or bottom2 <= top
            expect(apart, f"svg: \"{words}\" lies on \"{words2}\"")
    for name in ("x", "y", "x1", "x2", "y1", "y2", "cx", "cy", "width", "height"):
        for element in svg.iter():
            if element.get(name) is not None and element.tag not in ("pattern",):
                expect(-1 <= float(element.get(name)) <= 800, f"svg: {element.tag} {name}={element.get(name)}")


def check_html(text):
    expect(text.startswith("<!DOCTYPE html>\n"), "html: no doctype")
    page = ElementTree.fromstring(text.split("\n", 1)[1])
    nesting = Nesting()
    nesting.feed(text)
    nesting.close()
    expect(not nesting.open, f"html: left open {nesting.open}")
    foreign = nesting.names & {"script", "link", "iframe", "object", "embed", "img", "form", "base"}
    expect(not foreign, f"html: {foreign}")
    for outside in ("http:", "https:", "//", "@import", "javascript:"):
        expect(outside not in re.sub(r">[^<]*<", "><", text.split("</style>")[-1]), f"html: {outside} in the markup")
    style = page.find("head/style").text
    expect("url(" not in style and "@import" not in style, "html: the style sheet loads something")
    ids = [element.get("id") for element in page.iter() if element.get("id")]
    expect(len(ids) == len(set(ids)), "html: an id twice")
    named = set(re.findall(r'(?:href="#|url\(#)([^")]+)', text))
    named |= {name for names in re.findall(r'aria-labelledby="([^"]+)"', text) for name in names.split()}
    expect(named <= set(ids), f"html: nothing has the id {named - set(ids)}")
    for table in page.iter("table"):
        expect(table.find("caption").text, "html: a table without caption")
        columns = len(table.findall("thead/tr/th"))
        for row in table.findall("tbody/tr") + table.findall("tfoot/tr"):
            expect(len(row) == columns, "html: a row of another length than its heading")
            expect(len(row.findall("th[@scope='row']")) == 1, "html: a row without its name")
    for figure in page.iter("figure"):
        check_chart(figure)


def check_csv(path, answers):
    with open(path, newline="", encoding="utf-8") as file:
        text = file.read()
    expect(text.endswith("\r\n") and "\n" not in text.replace("\r\n", ""), "csv: lines do not end as RFC 4180 has it")
    rows = list(csv.DictReader(text.splitlines(keepends=True), strict=True))
    seen = set()
    for row in rows:
        expect(None not in row and None not in row.values(), f"csv: not seven fields: {row}")
        expect(int(row["row"]) >= 0, f"csv: row {row['row']}")
        key = (row["section"], row["table"], row["row"], row["column"])
        expect(key not in seen, f"csv: {key} twice")
        seen.add(key)
        for name in ("name", "column") + (() if row["unit"] else ("value",)):
            expect(row[name][:1] not in ("=", "+", "-", "@", "\t", "\r"), f"csv: a formula: {row[name]}")
        if row["unit"]:
            float(row["value"])
    if "availability_by_site" in answers:
        told = [float(row["value"]) for row in rows
                if row["table"] == "availability_by_site" and row["column"] == "availability" and row["row"] != "0"]
        had = [100 * row["availability"] for row in answers["availability_by_site"]["rows"]]
        same = len(told) == len(had) and all(abs(a - b) < 1e-9 for a, b in zip(told, had))
        expect(same, "csv: availability is not what it was")


def main(stem):
    with open(stem + ".json", encoding="utf-8") as file:
        report = json.load(file)
    expect(set(report) == {"period", "scope", "answers", "missing"}, "json: other fields than documented")
    expect(len(report["answers"]) + len(report["missing"]) == 17, "json: an answer neither there nor missing")
    with open(stem + ".html", encoding="utf-8") as file:
        check_html(file.read())
    check_csv(stem + ".csv", report["answers"])
    for fault in FAULTS[:20]:
        print(fault)
    return 1 if FAULTS else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
