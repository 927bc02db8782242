"""What a dossier costs, from the bytes of a journal to pages. Bounds: PDF 0.5 s cold, HTML 0.3 s, HTML 300 kB.

Each round is a process of its own, so that fonts and typesetter are loaded every time, as for a user who makes one; the
start of the interpreter and the reading of this project's modules are not counted (see `command_help.py`). The run is a
sign-off of the demo board on the simulated bench, as the runner writes it, or the journal that is given.
Run it alone: `python tests/benchmarks/dossier_time.py [JOURNAL]`; it ends with 1 when a bound is broken.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROUNDS = 5
HTML_S, PDF_S, HTML_BYTES = 0.3, 0.5, 300_000
SUITE = ROOT / "suites" / "signoff"
BENCH = ROOT / "fixtures" / "benches" / "simulated-air.toml"

ROUND = """
import json, sys, time
from pathlib import Path
from benchrig.dossier.build import build_dossier
from benchrig.dossier.html import html_page
from benchrig.dossier.pdf import pdf_pages
from benchrig.dossier_files import read_beside
from benchrig.journal import parse_journal
began_s = time.perf_counter()
path = Path(sys.argv[1])
data = path.read_bytes()
journal = parse_journal(data)
dossier = build_dossier(data, journal, read_beside(path, journal))
built_s = time.perf_counter()
page = html_page(dossier)
page_s, page_cpu_s = time.perf_counter(), time.process_time()
pages = pdf_pages(dossier)
pages_s, cpu_s = time.perf_counter(), time.process_time() - page_cpu_s
print(json.dumps([page_s - began_s, built_s - began_s + pages_s - page_s, cpu_s, len(page), len(pages)]))
"""


def a_run(folder: Path) -> Path:
    """The journal of a sign-off."""
    subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", SUITE, "--bench", BENCH, "--board", "HB-0001",
         "--bench-scale", "24", "--bench-reports", folder, "--bench-plots", "no"],
        check=False, cwd=ROOT, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    return next((folder / "HB-0001").glob("*.jsonl"))


def one_round(journal: Path) -> list[float]:
    """Seconds of HTML and of PDF, those of the processor for the PDF, and bytes of both."""
    done = subprocess.run([sys.executable, "-c", ROUND, journal], check=True, capture_output=True, text=True)
    found: list[float] = json.loads(done.stdout)
    return found


def main() -> int:
    """Print the medians against their bounds."""
    with tempfile.TemporaryDirectory() as folder:
        journal = Path(sys.argv[1]) if len(sys.argv) > 1 else a_run(Path(folder))
        rounds = [one_round(journal) for _ in range(ROUNDS)]
    html_s, pdf_s, cpu_s, html_bytes, pdf_bytes = (sorted(column)[ROUNDS // 2] for column in zip(*rounds, strict=True))
    print(f"HTML {html_s:.3f} s (bound {HTML_S} s), {html_bytes / 1000:.0f} kB (bound {HTML_BYTES / 1000:.0f} kB)")
    print(f"PDF  {pdf_s:.3f} s (bound {PDF_S} s; {cpu_s:.3f} s of the processor), {pdf_bytes / 1000:.0f} kB")
    return int(html_s > HTML_S or pdf_s > PDF_S or html_bytes > HTML_BYTES)


if __name__ == "__main__":
    sys.exit(main())
