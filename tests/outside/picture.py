"""The chart in every form, read by other libraries.

Sources: ISO 32000-1 (PDF) as pypdf reads it; ISO 216 and ANSI/ASME Y14.1 for paper sizes, 72 points to 25.4 mm; PNG as
Pillow reads it; SVG and HTML as lxml does; relative luminance of WCAG 2.1.
"""

import pathlib
import subprocess
import sys

import lxml.etree
import lxml.html
import numpy as np
import pypdf
from PIL import Image

program, out = sys.argv[1], pathlib.Path(sys.argv[2])
demo = out / "demo"


def check(name, good, why):
    print(f"ok {name}" if good else f"not ok {name}: {why}")


def chart(name, *args):
    path = out / name
    subprocess.run(
        [program, "--home", demo / "laptop", "chart", "-o", path, "--stage", "0.35", *args],
        check=True, capture_output=True, text=True,
    )
    return path


subprocess.run([program, "demo", "-o", demo], check=True, capture_output=True)

# The page to print: size, text, fonts.
for size, mm in [("A4", (210, 297)), ("A3", (297, 420)), ("letter", (215.9, 279.4))]:
    page = pypdf.PdfReader(chart(f"{size}.pdf", "--size", size, "--draft", "0.5"), strict=True).pages[0]
    got = sorted(float(v) * 25.4 / 72 for v in (page.mediabox.width, page.mediabox.height))
    check(f"picture-pdf-{size}", np.allclose(got, mm, atol=0.02), f"{got} mm")
reader = pypdf.PdfReader(chart("boat.pdf", "--draft", "0.5", "--units", "ft"), strict=True)
page = reader.pages[0]
text = " ".join(page.extract_text().split())
asked = [
    "Thornmere", "Depths in feet", "stage +1.1 ft", "Heron", "Plover", "Sounding datum", "1 : ", "not for navigation",
    "the eye of the person steering come first", "would touch",
]
missing = [w for w in asked if w not in text]
check("picture-pdf-text", len(reader.pages) == 1 and not missing, f"{missing} in {text[:200]}")
check("picture-pdf-title", reader.metadata.title == "Thornmere: depth chart", str(reader.metadata))
fonts = [f.get_object() for f in page["/Resources"]["/Font"].values()]
files = [d.get_object()["/FontDescriptor"].get_object()["/FontFile2"].get_object().get_data()
         for f in fonts for d in f["/DescendantFonts"]]
embedded = len(files) == len(fonts) > 0 and all(b[:4] == b"\0\1\0\0" for b in files)
check("picture-pdf-fonts", embedded and sum(map(len, files)) < 100_000, f"{[len(b) for b in files]}")
check("picture-pdf-vectors", not page.images, f"{len(page.images)} images instead of lines")
# The caution is the largest text after the name of the water.
sizes = {}


def see(words, cm, tm, font, size):
    if words.strip():
        sizes.setdefault(round(abs(tm[0] * cm[0]) * size, 1), []).append(words)


page.extract_text(visitor_text=see)
largest = sorted(sizes, reverse=True)
second = " ".join(sizes[largest[1]])
check("picture-pdf-caution", "not for navigation" in second, f"{[(s, sizes[s][:2]) for s in largest[:3]]}")

# Pixels: a dark sheet gives off little light, a light one much.
def light(path):
    rgb = np.asarray(Image.open(path).convert("RGB"), float) / 255
    linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float((linear @ [0.2126, 0.7152, 0.0722]).mean())


day, night = light(chart("day.png")), light(chart("night.png", "--dark"))
check("picture-dark", day > 0.6 and night < 0.06, f"{day:.3f} and {night:.3f} of white's light")

# SVG and the page for a browser: well formed, whole in themselves, told in words.
svg = lxml.etree.parse(chart("a.svg"), lxml.etree.XMLParser(resolve_entities=False)).getroot()
named = {svg.find("{http://www.w3.org/2000/svg}" + t).text[:9] for t in ("title", "desc")}
check("picture-svg", svg.get("role") == "img" and "Thornmere" in named and svg.get("width").endswith("mm"), str(named))
html = lxml.html.parse(chart("a.html")).getroot()
# One file that asks nobody: nothing is loaded by address, links stay inside, and its own policy forbids the rest.
outside = [a for a in html.xpath("//@src | //@href") if not a.startswith(("#", "data:"))]
outside += html.xpath("//link | //iframe | //script[@src]")
policy = " ".join(html.xpath("//meta[@http-equiv='Content-Security-Policy']/@content"))
# Without scripts there is the still sheet.
rows = html.xpath("//noscript//table//tr")
still = len(html.xpath("//noscript//h1")) == 1 and len(rows) > 5
check("picture-html", not outside and "default-src 'none'" in policy and still, f"{outside}, {policy}, {len(rows)} rows")
