"""Run the tour of sample_data/tour/README.md and make its quoted outputs and its pictures anew.

    python sample_data/make_tour.py            # writes them; needs the extra `dev`
    python sample_data/make_tour.py --check    # writes nothing there, and ends with 1 where they are not what the code gives

Everything is run from the folder of the project and written to out/tour.
"""

import argparse
import sys
from pathlib import Path

from tour import likeness, page, pictures

ROOT = Path(__file__).resolve().parent.parent
TOUR = ROOT / "sample_data" / "tour"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--check", action="store_true", help="only say what differs")
    check = parser.parse_args().check
    page.tidy(ROOT)
    text = (TOUR / "README.md").read_text(encoding="utf-8")
    made = page.run(text, ROOT)
    faults = [f"{number} stands in the prose and in no block of its section" for number in page.stray_numbers(made)]
    if check and made != text:
        faults.append("README.md quotes what the blocks do not print any more")
    drawn = pictures.drawn(ROOT / "out" / "tour")
    if check:
        faults += likeness.differences(drawn, TOUR)
    else:
        (TOUR / "README.md").write_text(made, encoding="utf-8")
        pictures.write(drawn, TOUR)
    for fault in faults:
        print(fault, file=sys.stderr)
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
