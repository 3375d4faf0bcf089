"""The picture that `crew invite --qr` draws in a terminal, read back by zxing-cpp: on the terminal's own colours, and
with those turned round, the text is the invite."""

import os
import re
import subprocess
import tempfile

import numpy as np
import zxingcpp

PROGRAM = os.environ["LEADLINE_PROGRAM"]


def run(home, *args):
    env = dict(os.environ, LEADLINE_HOME=home)
    return subprocess.run([PROGRAM, *args], env=env, check=True, capture_output=True, text=True).stdout


def pixels(lines, scale=6):
    """Half blocks as grey values: the colours are set by the picture itself, 30 on 107."""
    rows = []
    for line in lines:
        body = line.removeprefix("\x1b[30;107m").removesuffix("\x1b[0m")
        assert body != line, "the picture sets its own colours"
        rows.append([0 if c in "▀█" else 255 for c in body])
        rows.append([0 if c in "▄█" else 255 for c in body])
    return np.kron(np.array(rows, dtype=np.uint8), np.ones((scale, scale), dtype=np.uint8))


with tempfile.TemporaryDirectory() as home:
    run(home, "survey", "new", "Thornmere upper basin", "--datum", "zero of the gauge at the landing")
    said = run(home, "crew", "invite", "--qr")
    invite = next(l for l in said.splitlines() if l.startswith("leadline:"))
    picture = [l for l in said.splitlines() if l.startswith("\x1b[30;107m")]
    image = pixels(picture)
    found = zxingcpp.read_barcodes(image)
    ok = len(found) == 1 and found[0].text.lower() == invite
    print(f"{'ok' if ok else 'not ok'} qr: one code of {image.shape[1] // 6 - 8} modules holds the invite of {len(invite)} letters")
    # Cut to the code and its quiet zone, it is read on a black screen too.
    framed = np.pad(image, 60, constant_values=0)
    dark = zxingcpp.read_barcodes(framed)
    ok = len(dark) == 1 and dark[0].text.lower() == invite
    print(f"{'ok' if ok else 'not ok'} qr: on a dark screen the quiet zone is enough")
    # What was read joins.
    with tempfile.TemporaryDirectory() as other:
        joined = run(other, "crew", "join", found[0].text)
        ok = bool(re.search("Thornmere upper basin", joined))
        print(f"{'ok' if ok else 'not ok'} qr: the text that was read joins the crew")
