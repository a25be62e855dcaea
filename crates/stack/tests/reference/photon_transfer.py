"""Makes photon_transfer.u16 and photon_transfer.csv: pairs of frames of a made-up sensor, and what the
reference implementation of EMVA 1288 measures in them.

Provenance: emva1288 1.0.2 (the EMVA1288 authors' implementation of the standard; GPL, run here, nothing of
it is in this repository), numpy 2.x. Frames of 96 x 64 pixels: two darks, then pairs at three levels, the
last one above 70 % of saturation. Seed 20. Run here: python photon_transfer.py
"""
import logging
import pathlib

import numpy as np
from emva1288.process.data import Data1288
from emva1288.process.results import Results1288
from emva1288.process.routines import get_int_imgs

# emva1288 1.0.2 still asks for what numpy 2.0 took away.
np.asfarray = lambda a: np.asarray(a, dtype=float)

HEIGHT, WIDTH = 64, 96
GAIN_E, READ_E, BLACK, TOP_E = 2.4, 4.0, 256, 30_000.0
LEVELS = [0.30, 0.65, 0.97]

rng = np.random.default_rng(20)
flat = 1.0 + 0.01 * rng.standard_normal((HEIGHT, WIDTH))


def frame(electrons):
    light = rng.poisson(electrons * flat) + READ_E * rng.standard_normal(flat.shape)
    return np.round(light / GAIN_E + BLACK).astype("<u2")


pairs = [[frame(level * TOP_E) for _ in range(2)] for level in [0.0, *LEVELS]]


def summed(pair):
    images = get_int_imgs(pair)
    return {"sum": images["sum"].sum(), "pvar": images["pvar"].sum(), "dmean": images["dmean"]}


temporal = {1.0: {level: summed(pair) for level, pair in zip([0.0, *LEVELS], pairs)}}
data = Data1288(
    {
        "width": WIDTH,
        "height": HEIGHT,
        "temporal": temporal,
        "spatial": {1.0: {0.0: get_int_imgs(pairs[0]), 0.5: get_int_imgs(pairs[2])}},
    },
    loglevel=logging.ERROR,
)
results = Results1288(data.data, loglevel=logging.ERROR)
assert results.index_sensitivity_max == 1, "the line is to rest on the first two levels"

here = pathlib.Path(__file__).parent.parent / "fixtures"
np.concatenate([f.ravel() for pair in pairs for f in pair]).tofile(here / "photon_transfer.u16")
t = data.data["temporal"]
with open(here / "photon_transfer.csv", "w") as out:
    out.write(f"# emva1288 1.0.2, numpy {np.__version__}, photon_transfer.py; level and variance in DN\n")
    names = ["dark_level", "dark_variance"] + [f"{w}_{k}" for k in range(3) for w in ("level", "variance")]
    out.write(",".join([*names, "gain_e_per_dn", "dark_noise_e"]) + "\n")
    lit = [v for k in range(3) for v in (t["u_y"][k], t["s2_y"][k])]
    values = [t["u_ydark"][0], t["s2_ydark"][0], *lit, 1.0 / results.K, results.sigma_d]
    out.write(",".join(f"{v:.9g}" for v in values) + "\n")
