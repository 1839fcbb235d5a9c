"""Takes what was added to version 1 into the frozen copies beside this file, and refuses what breaks it.

`python tests/outside/freeze_v1.py`. A copy that was deleted is made anew: only before version 1 is in use anywhere.
"""

import json
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from v1_rules import broken, broken_facts, facts

from benchd.outside import interface

FROZEN = Path(__file__).parent / "v1"


def _text(content: dict[str, Any]) -> str:
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def main() -> int:
    """Exit status 1, and nothing written, where version 1 would be broken."""
    made = {f"{name}.schema.json": schema for name, schema in interface.schemas().items()} | {"facts.json": facts()}
    sentences = []
    for name, content in made.items():
        file = FROZEN / name
        if file.exists():
            compare = broken_facts if name == "facts.json" else broken
            sentences += [f"{name}: {sentence}" for sentence in compare(json.loads(file.read_text("utf-8")), content)]
    sentences += [f"{file.name}: is gone" for file in FROZEN.iterdir() if file.name not in made]
    if sentences:
        print(*sentences, "Version 1 would be broken: nothing was written.", sep="\n", file=sys.stderr)
        return 1
    for name, content in made.items():
        (FROZEN / name).write_text(_text(content), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
