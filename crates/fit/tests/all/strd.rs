//! Least squares held to certified values: NIST, Statistical Reference Datasets
//! (www.itl.nist.gov/div898/strd), linear and nonlinear regression.

use nalgebra::{DMatrix, DVector, SVector};
use nightloom_fit::{Damping, Normal, Problem, descend, least_squares};

/// y, x of Norris: calibration of ozone monitors.
const NORRIS: [[f64; 2]; 36] = [
    [0.1, 0.2],
    [338.8, 337.4],
    [118.1, 118.2],
    [888.0, 884.6],
    [9.2, 10.1],
    [228.1, 226.5],
    [668.5, 666.3],
    [998.5, 996.3],
    [449.1, 448.6],
    [778.9, 777.0],
    [559.2, 558.2],
    [0.3, 0.4],
    [0.1, 0.6],
    [778.1, 775.5],
    [668.8, 666.9],
    [339.3, 338.0],
    [448.9, 447.5],
    [10.8, 11.6],
    [557.7, 556.0],
    [228.3, 228.1],
    [998.0, 995.8],
    [888.8, 887.6],
    [119.6, 120.2],
    [0.3, 0.3],
    [0.6, 0.3],
    [557.6, 556.8],
    [339.3, 339.1],
    [888.0, 887.2],
    [998.5, 999.0],
    [778.9, 779.0],
    [10.2, 11.1],
    [117.6, 118.3],
    [228.9, 229.2],
    [668.4, 669.1],
    [449.2, 448.9],
    [0.2, 0.5],
];

/// Figures that agree: −log₁₀ of the relative error.
fn figures(is: f64, should: f64) -> f64 {
    -((is - should) / should).abs().max(1e-16).log10()
}

#[test]
fn norris_is_the_certified_line() {
    let mut line = Normal::<2>::new();
    NORRIS.iter().for_each(|[y, x]| line.add([1.0, *x], *y, 1.0));
    let found = line.solve().unwrap();
    let rest: f64 = NORRIS
        .iter()
        .map(|[y, x]| (y - found[0] - found[1] * x).powi(2))
        .sum();
    let covariance = line.covariance().unwrap() * (rest / 34.0);
    for (is, should) in [
        (found[0], -0.262_323_073_774_029),
        (found[1], 1.002_116_818_020_45),
        (covariance[(0, 0)].sqrt(), 0.232_818_234_301_152),
        (covariance[(1, 1)].sqrt(), 0.429_796_848_199_937e-3),
        (rest, 26.617_398_529_422_4),
    ] {
        assert!(figures(is, should) > 11.5, "{is}, not {should}");
    }
    // The same with the design as a whole, and weights that change nothing.
    let design = DMatrix::from_fn(36, 2, |i, j| if j == 0 { 1.0 } else { NORRIS[i][1] });
    let values = DVector::from_fn(36, |i, _| NORRIS[i][0]);
    for weights in [None, Some(DVector::from_element(36, 3.0))] {
        let again = least_squares(&design, &values, weights.as_ref()).unwrap();
        assert!(figures(again[0], found[0]) > 11.5 && figures(again[1], found[1]) > 11.5);
    }
}

/// Wampler1: y = 1 + x + … + x⁵ at 0, 1, … 20, certified coefficients all 1. In x as it stands the normal equations'
/// condition is 10¹³ and more; centred and of size 1, as they ask to be, eight figures and more are left.
#[test]
fn wampler_is_the_certified_polynomial() {
    let mut normal = Normal::<6>::new();
    for n in 0..=20 {
        let x = f64::from(n);
        let u = x / 10.0 - 1.0;
        let y = (0..6).map(|k| x.powi(k)).sum::<f64>();
        normal.add(SVector::<f64, 6>::from_fn(|k, _| u.powi(k as i32)), y, 1.0);
    }
    let found = normal.solve().unwrap();
    // Σ (10 (u + 1))ᵏ by powers of u: the binomials.
    let choose = |n: i32, k: i32| {
        (0..k)
            .map(|i| f64::from(n - i) / f64::from(i + 1))
            .product::<f64>()
    };
    for k in 0..6 {
        let should: f64 = (k..6).map(|n| 10f64.powi(n) * choose(n, k)).sum();
        let is = found[k as usize];
        assert!(figures(is, should) > 8.0, "{k}: {is}, not {should}");
    }
}

/// One nonlinear data set.
struct Curve<const N: usize> {
    /// y, x.
    points: Vec<[f64; 2]>,
    /// Value at x and its derivatives by the parameters.
    model: fn(&SVector<f64, N>, f64) -> (f64, [f64; N]),
}

impl<const N: usize> Problem for Curve<N> {
    type Point = SVector<f64, N>;
    type Local = Normal<N>;

    fn local(&self, at: &Self::Point) -> Option<(Normal<N>, f64)> {
        let mut normal = Normal::new();
        for [y, x] in &self.points {
            let (value, slope) = (self.model)(at, *x);
            normal.add(slope, y - value, 1.0);
        }
        let cost = self.cost(&normal, at);
        Some((normal, cost))
    }

    fn step(&self, at: &Self::Point, local: &Normal<N>, damping: f64) -> Option<Self::Point> {
        Some(at + local.damped(damping).solve()?)
    }

    fn cost(&self, _: &Normal<N>, at: &Self::Point) -> f64 {
        self.points
            .iter()
            .map(|[y, x]| (y - (self.model)(at, *x).0).powi(2))
            .sum()
    }
}

impl<const N: usize> Curve<N> {
    fn new(points: &str, model: fn(&SVector<f64, N>, f64) -> (f64, [f64; N])) -> Self {
        let numbers: Vec<f64> = points.split_whitespace().map(|v| v.parse().unwrap()).collect();
        Self {
            points: numbers.chunks(2).map(|p| [p[0], p[1]]).collect(),
            model,
        }
    }

    /// From each start the certified parameters and sum of squares come out to six figures: what NIST certifies has
    /// eleven, and the sum of squares is flat about its least.
    fn is_certified(&self, starts: &[[f64; N]], certified: [f64; N], squares: f64) {
        let settings = Damping {
            rounds: 3000,
            settled: 0.0,
            ..Damping::default()
        };
        for start in starts {
            let found = descend(self, SVector::from(*start), &settings);
            assert!(found.settled, "{start:?}");
            for (is, should) in found.at.iter().zip(certified) {
                assert!(figures(*is, should) > 6.0, "{start:?}: {is}, not {should}");
            }
            assert!(
                figures(found.cost.unwrap(), squares) > 9.0,
                "{start:?}: {:?}",
                found.cost
            );
        }
    }
}

/// Lower difficulty.
#[test]
fn misra1a_is_certified() {
    let data = "10.07 77.6 14.73 114.9 17.94 141.1 23.93 190.8 29.61 239.9 35.18 289.0 40.02 332.8 \
                44.82 378.4 50.76 434.8 55.05 477.3 61.01 536.8 66.40 593.1 75.47 689.1 81.78 760.0";
    let curve = Curve::new(data, |b, x| {
        let e = (-b[1] * x).exp();
        (b[0] * (1.0 - e), [1.0 - e, b[0] * x * e])
    });
    let certified = [2.389_421_291_8e2, 5.501_564_318_1e-4];
    curve.is_certified(&[[500.0, 1e-4], [250.0, 5e-4]], certified, 1.245_513_889_4e-1);
}

/// Higher difficulty: many good algorithms end in its local minimum.
#[test]
fn mgh09_is_certified() {
    let data = "0.1957 4 0.1947 2 0.1735 1 0.16 0.5 0.0844 0.25 0.0627 0.167 0.0456 0.125 0.0342 0.1 \
                0.0323 0.0833 0.0235 0.0714 0.0246 0.0625";
    let curve = Curve::new(data, |b, x| {
        let (top, bottom) = (x * x + x * b[1], x * x + x * b[2] + b[3]);
        let value = b[0] * top / bottom;
        (
            value,
            [
                top / bottom,
                b[0] * x / bottom,
                -value * x / bottom,
                -value / bottom,
            ],
        )
    });
    let certified = [
        1.928_069_345_8e-1,
        1.912_823_287_3e-1,
        1.230_565_069_3e-1,
        1.360_623_306_8e-1,
    ];
    let starts = [[25.0, 39.0, 41.5, 39.0], [0.25, 0.39, 0.415, 0.39]];
    curve.is_certified(&starts, certified, 3.075_056_038_5e-4);
}

/// Higher difficulty: parameters of sizes eight powers of ten apart. From NIST's first start, three hundred times off,
/// the descent ends on a constant, where the slope is nothing; only the second is asked for.
#[test]
fn mgh10_is_certified() {
    let data = "34780 50 28610 55 23650 60 19630 65 16370 70 13720 75 11540 80 9744 85 8261 90 7030 95 \
                6005 100 5147 105 4427 110 3820 115 3307 120 2872 125";
    let curve = Curve::new(data, |b, x| {
        let e = (b[1] / (x + b[2])).exp();
        let value = b[0] * e;
        (value, [e, value / (x + b[2]), -value * b[1] / (x + b[2]).powi(2)])
    });
    let certified = [5.609_636_471_0e-3, 6.181_346_346_3e3, 3.452_236_346_2e2];
    curve.is_certified(&[[0.02, 4000.0, 250.0]], certified, 8.794_585_517_1e1);
}

/// Higher difficulty: a peak, from one start far off it.
#[test]
fn eckerle4_is_certified() {
    let data = "0.0001575 400 0.0001699 405 0.0002350 410 0.0003102 415 0.0004917 420 0.0008710 425 \
                0.0017418 430 0.0046400 435 0.0065895 436.5 0.0097302 438 0.0149002 439.5 0.0237310 441 \
                0.0401683 442.5 0.0712559 444 0.1264458 445.5 0.2073413 447 0.2902366 448.5 0.3445623 450 \
                0.3698049 451.5 0.3668534 453 0.3106727 454.5 0.2078154 456 0.1164354 457.5 0.0616764 459 \
                0.0337200 460.5 0.0194023 462 0.0117831 463.5 0.0074357 465 0.0022732 470 0.0008800 475 \
                0.0004579 480 0.0002345 485 0.0001586 490 0.0001143 495 0.0000710 500";
    let curve = Curve::new(data, |b, x| {
        let t = (x - b[2]) / b[1];
        let e = (-0.5 * t * t).exp() / b[1];
        let value = b[0] * e;
        (value, [e, value * (t * t - 1.0) / b[1], value * t / b[1]])
    });
    let certified = [1.554_382_717_8, 4.088_832_175_4, 4.515_412_184_4e2];
    let starts = [[1.0, 10.0, 500.0], [1.5, 5.0, 450.0]];
    curve.is_certified(&starts, certified, 1.463_588_748_7e-3);
}
