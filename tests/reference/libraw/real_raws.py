"""How LibRaw (through rawpy) would turn the raws of a folder: writes real_raws.json beside this file.

Run: python real_raws.py FOLDER
The files are known by their SHA-256; they are no part of the project.
"""

import hashlib
import json
import pathlib
import sys

import rawpy

result = {"rawpy": rawpy.__version__, "libraw": ".".join(map(str, rawpy.libraw_version)), "files": {}}
for path in sorted(pathlib.Path(sys.argv[1]).iterdir()):
    if path.suffix in (".json", ".md"):
        continue
    with rawpy.imread(str(path)) as raw:
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        result["files"][digest] = {"name": path.name, "flip": int(raw.sizes.flip)}
(pathlib.Path(__file__).parent / "real_raws.json").write_text(json.dumps(result, indent=1) + "\n")
