#!/usr/bin/env python3
"""Starts ebbmark where the suite starts its server: `-p PORT`, or `-c FILE` that names one."""

import os
import re
import sys
import tempfile

arguments = sys.argv[1:]
port = None
if "-p" in arguments:
    port = int(arguments[arguments.index("-p") + 1])
elif "-c" in arguments:
    with open(arguments[arguments.index("-c") + 1]) as file:
        found = re.search(r"^(?:port|listener) (\d+)", file.read(), re.MULTILINE)
    port = int(found.group(1)) if found else 1888

folder = tempfile.mkdtemp(prefix="ebbmark-interop-")
config = os.path.join(folder, "cellar.toml")
with open(config, "w") as file:
    file.write(
        f"""data-folder = "{folder}/data"
[page]
listen = ["127.0.0.1:0"]
[intake]
listen = ["127.0.0.1:{port}", "[::1]:{port}"]
[backup]
off = true
"""
    )
os.execv(os.environ["EBBMARK"], ["ebbmark", "--config", config, "run"])
