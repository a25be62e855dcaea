"""Reference statistics: sigma-clipped means by Astropy, background levels by sep and photutils,
asinh stretch by Astropy's implementation of Lupton et al. 2004.

sigma_clip.csv: nine values per row, then the mean of those within 3.5 mad_std of the median, one
clip (astropy.stats.sigma_clip, cenfunc median, stdfunc mad_std, maxiters 1); 0, 1 or 2 of the
nine are 10 to 50 sigma out. Rows in which Astropy also loses a normal value are left out.
asinh.csv: x, stretch, Q, value of astropy.visualization.LuptonAsinhStretch.
background.u16 / background.csv: 256 x 192 gradient with 60 stars; per 64 px cell the background
of photutils.Background2D (median after 3-sigma clip) and of sep.
"""
import numpy as np, astropy, astropy.stats, sep, photutils
from astropy.visualization import LuptonAsinhStretch
from photutils.background import Background2D, MedianBackground

rng = np.random.default_rng(12)
head = f"# statistics.py, Astropy {astropy.__version__}, sep {sep.__version__}, photutils {photutils.__version__}, NumPy {np.__version__}\n"
with open("../fixtures/sigma_clip.csv", "w") as f:
    f.write(head + "v1,v2,v3,v4,v5,v6,v7,v8,v9,clipped_mean\n")
    for k in range(80):
        v = rng.normal(0.1, 0.01, 9)
        v[: k % 3] += rng.uniform(0.1, 0.5, k % 3)
        v = np.round(rng.permutation(v), 6)
        kept = astropy.stats.sigma_clip(v, sigma=3.5, maxiters=1, cenfunc="median", stdfunc="mad_std")
        if kept.count() != 9 - k % 3:
            continue  # one of the normal values lost by chance, which pooling the scatter avoids
        m = kept.mean()
        f.write(",".join(f"{x:.6f}" for x in v) + f",{m:.8f}\n")
with open("../fixtures/asinh.csv", "w") as f:
    f.write(head + "x,stretch,q,value\n")
    for stretch, q in [(0.05, 8.0), (0.2, 3.0), (1.0, 20.0), (5.0, 8.0)]:
        curve = LuptonAsinhStretch(stretch=stretch, Q=q)
        for x in [0.0, 0.001, 0.01, 0.05, 0.1, 0.3, 0.7, 1.0]:
            f.write(f"{x},{stretch},{q},{float(curve(np.array([x]))[0]):.9f}\n")
y, x = np.mgrid[0:192, 0:256].astype(np.float64)
img = 0.05 + 0.02 * x / 256 + 0.01 * y / 192 + rng.normal(0, 0.002, (192, 256))
for _ in range(60):
    cx, cy = rng.uniform(0, 256), rng.uniform(0, 192)
    img += rng.uniform(0.02, 0.4) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 0.9**2))
stored = np.round(img * 65535).clip(0, 65535).astype("<u2")
stored.tofile("../fixtures/background.u16")
img = stored / 65535.0
p = Background2D(img, (64, 64), filter_size=(1, 1), bkg_estimator=MedianBackground()).background_mesh
s = sep.Background(img, bw=64, bh=64, fw=1, fh=1).back()
with open("../fixtures/background.csv", "w") as f:
    f.write(head + "column,row,photutils,sep\n")
    for j in range(3):
        for i in range(4):
            f.write(f"{i},{j},{p[j, i]:.7f},{s[j * 64 + 32, i * 64 + 32]:.7f}\n")
