"""One line of links at the foot of every notebook: `python tests/notebooks/footer.py` writes it anew.

A word for each notebook, in the order of their numbers; a new notebook needs a word here.
"""

from __future__ import annotations

import json

import outputs

WORDS = {
    "00_start_here": "Start here", "01_log_a_trial": "Log", "02_score_a_trial": "Score", "03_compare_runs": "Compare",
    "04_which_factors_matter": "Factors", "05_import_a_sheet": "Import", "06_report": "Report", "07_plan_a_mix": "Mix",
    "08_plan_the_vacuum": "Vacuum", "09_plan_the_cure": "Cure", "10_make_a_mold": "Mold", "11_what_it_costs": "Cost",
    "12_watch_production": "Watch", "13_settle_the_recipe": "Settle", "14_choose_the_next_castings": "Next castings",
    "15_can_we_trust_our_scores": "Trust", "16_report_two_recipes": "Two recipes",
}  # fmt: skip
RULE = "---\n"


def line() -> str:
    """The footer."""
    return " · ".join(f"[{word}]({name}.ipynb)" for name, word in WORDS.items())


def split(source: str) -> tuple[str, str]:
    """The last cell's text before the rule, and the footer after it ("" where there is none)."""
    text, rule, foot = source.rpartition(RULE)
    return (text, foot) if rule else (source.rstrip("\n") + "\n\n\n", "")


def main() -> None:
    """Write the footer into the last cell of every notebook, and nothing else."""
    for path in outputs.NOTEBOOKS:
        notebook = json.loads(path.read_text(encoding="utf-8"))
        last = notebook["cells"][-1]
        text, foot = split("".join(last["source"]))
        if foot != line():
            last["source"] = (text + RULE + line()).splitlines(keepends=True)
            path.write_text(json.dumps(notebook, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
