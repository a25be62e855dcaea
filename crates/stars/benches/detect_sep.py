"""Times sep on the frame that the example `detect_speed` writes, and both in the same run.

sep 1.4.1 (Barbary 2016, JOSS 1, 58): Background (64 x 64 mesh) and extract at 5 sigma with a Gaussian
matched filter, in one thread, as it is. Run from the project's folder:

    cargo build --release -p nightloom-stars --example detect_speed
    python crates/stars/benches/detect_sep.py target/release/examples/detect_speed

Prints the best of several runs of each, and the ratio.
"""
import re
import subprocess
import sys
import tempfile
import time

import numpy as np
import sep

with tempfile.TemporaryDirectory() as folder:
    path = folder + "/frame.u16"
    program = sys.argv[1]
    text = subprocess.run([program, "24", path], check=True, capture_output=True, text=True).stdout
    width, height = map(int, re.search(r"frame.u16: (\d+) (\d+)", text).groups())
    image = np.fromfile(path, dtype="<u2").reshape(height, width).astype(np.float32)
ours = float(re.search(r"best ([\d.]+) s", text).group(1))
sep.set_extract_pixstack(3_000_000)
u = np.arange(-3, 4) ** 2
kernel = np.exp(-0.5 * np.add.outer(u, u) / 1.1**2).astype(np.float32)
theirs, count = float("inf"), 0
for _ in range(5):
    start = time.perf_counter()
    background = sep.Background(image)
    found = sep.extract(image - background.back(), 5.0, err=background.globalrms, filter_kernel=kernel)
    theirs = min(theirs, time.perf_counter() - start)
    count = len(found)
print(text.splitlines()[-1])
print(f"sep {sep.__version__}: {theirs:.3f} s, {count} objects; ours takes {ours / theirs:.2f} of that")
