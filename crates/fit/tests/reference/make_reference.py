"""Quantiles and median absolute deviations by NumPy and SciPy, robust fits by statsmodels.

Run in this folder; writes quantiles.csv and robust.csv. Quantiles are numpy.quantile(method="linear"), which is
Hyndman & Fan's definition 7. The robust fits are of Brownlee's (1965) stack loss data, as statsmodels carries it:
RLM with its scale about zero, iterated until the coefficients stand still.
"""

import numpy as np
import scipy
import scipy.stats
import statsmodels
import statsmodels.api as sm

rng = np.random.default_rng(7)
with open("quantiles.csv", "w") as out:
    out.write(f"# make_reference.py, NumPy {np.__version__}, SciPy {scipy.__version__}, seed 7\n")
    out.write("# quantiles 0, 0.1, 0.25, 0.5, 0.9, 0.995, 1; median absolute deviation | the values\n")
    for n in [1, 2, 3, 4, 5, 8, 11, 16]:
        values = np.round(rng.standard_normal(n) * 10, 3)
        if n == 8:
            values[3:6] = values[2]
        figures = np.quantile(values, [0, 0.1, 0.25, 0.5, 0.9, 0.995, 1], method="linear")
        figures = [*figures, scipy.stats.median_abs_deviation(values)]
        out.write(" ".join(f"{v:.12g}" for v in figures) + " | " + " ".join(f"{v:g}" for v in values) + "\n")

data = sm.datasets.stackloss.load_pandas()
x = sm.add_constant(data.exog.to_numpy())
y = data.endog.to_numpy()
with open("robust.csv", "w") as out:
    out.write(f"# make_reference.py, statsmodels {statsmodels.__version__}: stack loss by RLM\n")
    out.write("# loss, coefficients 1, air flow, water temperature, acid concentration\n")
    for name, norm in [
        ("huber", sm.robust.norms.HuberT(1.345)),
        ("biweight", sm.robust.norms.TukeyBiweight(4.685)),
    ]:
        fit = sm.RLM(y, x, M=norm).fit(maxiter=1000, tol=1e-13, conv="coefs", scale_est="mad")
        out.write(name + " " + " ".join(f"{v:.12g}" for v in fit.params) + "\n")
    out.write("# the data: the three, and the loss\n")
    for row, v in zip(data.exog.to_numpy(), y):
        out.write(" ".join(f"{a:g}" for a in row) + f" {v:g}\n")
