"""Makes sky.u16 (a small star field on a sloping sky) and the tables that sep reads from it.

Provenance: sep 1.4.1 (Barbary 2016, JOSS 1, 58; the algorithms of Bertin & Arnouts 1996),
numpy 2.4.6, Python 3.11; shapes: astropy 8.0.2, photutils 3.0.0 (Bradley et al.). Run here: python make_sky.py
"""
import numpy as np
import sep

W, H, UNIT = 192, 160, 20000.0
rng = np.random.default_rng(1996)
y, x = np.mgrid[0:H, 0:W].astype(float)
sky = 400.0 + 0.6 * x + 250.0 * np.exp(-((y - H) / 70.0) ** 2)
image = sky.copy()
stars = []
for i in range(30):
    sx, sy = rng.uniform(10, W - 11), rng.uniform(10, H - 11)
    flux = 2500.0 * (1 - rng.uniform()) ** (-1 / 1.2)
    flux = min(2 * flux, 120000.0)
    stars.append((sx, sy, flux))
    for ox in (-1 / 3, 0, 1 / 3):
        for oy in (-1 / 3, 0, 1 / 3):
            r2 = (x + ox - sx) ** 2 + (y + oy - sy) ** 2
            image += flux / 9 / (2 * np.pi * 1.1**2) * np.exp(-r2 / (2 * 1.1**2))
image = image + rng.normal(size=image.shape) * np.sqrt(image + 9.0)
data = np.clip(np.round(image), 0, 65535).astype("<u2")
data.tofile("sky.u16")

a = np.ascontiguousarray(data.astype(np.float64))
back = sep.Background(a, bw=32, bh=32, fw=3, fh=3)
level, noise = back.back(), back.rms()
with open("background.csv", "w") as f:
    f.write("# sep 1.4.1 Background(bw=32, bh=32, fw=3, fh=3) of sky.u16, electrons; see make_sky.py\n")
    f.write("x,y,level,noise,truth\n")
    for py in range(8, H, 16):
        for px in range(8, W, 16):
            f.write(f"{px},{py},{level[py, px]:.3f},{noise[py, px]:.3f},{sky[py, px]:.3f}\n")

# Window of sqrt(2) times the star's sigma, as ours; apertures of 2 full widths.
flat = a - level
found = sep.extract(flat, 6.0, err=back.rms())
lone = []
for sx, sy, flux in stars:
    near = sum(np.hypot(sx - ox, sy - oy) < 14 for ox, oy, _ in stars)
    inside = 14 < sx < W - 15 and 14 < sy < H - 15
    if near == 1 and inside and flux > 3000:
        lone.append((sx, sy, flux))
xs = np.array([s[0] for s in lone]); ys = np.array([s[1] for s in lone])
wx, wy, _ = sep.winpos(flat, xs, ys, np.full(len(xs), 1.1 * np.sqrt(2)))
fl, _, _ = sep.sum_circle(flat, wx, wy, np.full(len(xs), 2 * 1.1 * 2.3548))
with open("stars.csv", "w") as f:
    f.write("# sep 1.4.1 winpos(sig=1.556) and sum_circle(r=5.181) on sky.u16 minus Background; see make_sky.py\n")
    f.write("x_true,y_true,flux_true,x,y,flux\n")
    for (sx, sy, flux), px, py, v in zip(lone, wx, wy, fl):
        f.write(f"{sx:.4f},{sy:.4f},{flux:.1f},{px:.4f},{py:.4f},{v:.1f}\n")

# Shapes and fluxes of round and drawn-out stars on another frame, by two libraries.
W2, H2 = 200, 160
rng = np.random.default_rng(2016)
y, x = np.mgrid[0:H2, 0:W2].astype(float)
image = 300.0 + 0.3 * x
rows = []
for i in range(20):
    sx = 20 + 40 * (i % 5) + rng.uniform(-3, 3)
    sy = 20 + 40 * (i // 5) + rng.uniform(-3, 3)
    a, b = 1.2 * (1 + 0.1 * (i % 4)), 1.2
    theta = rng.uniform(-np.pi / 2, np.pi / 2)
    flux = rng.uniform(15000, 60000)
    c, s = np.cos(theta), np.sin(theta)
    for ox in (-0.4, -0.2, 0, 0.2, 0.4):
        for oy in (-0.4, -0.2, 0, 0.2, 0.4):
            u = (x + ox - sx) * c + (y + oy - sy) * s
            v = (y + oy - sy) * c - (x + ox - sx) * s
            image += flux / 25 / (2 * np.pi * a * b) * np.exp(-0.5 * ((u / a) ** 2 + (v / b) ** 2))
    rows.append((sx, sy, flux, a, b, theta))
image = image + rng.normal(size=image.shape) * np.sqrt(image + 9.0)
data = np.clip(np.round(image), 0, 65535).astype("<u2")
data.tofile("shapes.u16")
a = np.ascontiguousarray(data.astype(np.float64))
flat = a - sep.Background(a, bw=32, bh=32).back()
found = sep.extract(flat, 4.0, err=sep.Background(a, bw=32, bh=32).rms())
from astropy.modeling import fitting, models  # noqa: E402
from photutils.psf import fit_fwhm  # noqa: E402

with open("shapes.csv", "w") as f:
    f.write("# shapes.u16: truth; sep 1.4.1 extract (x, y, theta), sum_circle(r=6); astropy LevMarLSQFitter of\n")
    f.write("# Gaussian2D on 15 x 15 pixels (FWHM of both axes); photutils fit_fwhm; see make_sky.py\n")
    f.write("x,y,flux,theta_sep,flux_sep,fwhm_long,fwhm_short,theta_fit,fwhm_photutils\n")
    for sx, sy, flux, sa, sb, theta in rows:
        o = found[np.argmin(np.hypot(found["x"] - sx, found["y"] - sy))]
        fl, _, _ = sep.sum_circle(flat, [o["x"]], [o["y"]], [6.0])
        px, py = int(round(sx)), int(round(sy))
        yy, xx = np.mgrid[py - 7 : py + 8, px - 7 : px + 8]
        cut = flat[py - 7 : py + 8, px - 7 : px + 8]
        start = models.Gaussian2D(cut.max(), sx, sy, 1.3, 1.2, theta)
        g = fitting.LevMarLSQFitter()(start, xx, yy, cut)
        long, short, turn = g.x_stddev.value, g.y_stddev.value, g.theta.value
        if short > long:
            long, short, turn = short, long, turn + np.pi / 2
        turn = (turn + np.pi / 2) % np.pi - np.pi / 2
        fw = fit_fwhm(flat, xypos=[(sx, sy)], fit_shape=(15, 15))[0]
        f.write(f"{sx:.4f},{sy:.4f},{flux:.1f},{o['theta']:.4f},{fl[0]:.1f},")
        f.write(f"{2.35482 * abs(long):.4f},{2.35482 * abs(short):.4f},{turn:.4f},{fw:.4f}\n")
print(len(lone), len(found))
