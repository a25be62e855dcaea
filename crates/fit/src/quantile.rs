//! The one rule for medians and quantiles.
//!
//! Hyndman & Fan (1996, The American Statistician 50, 361), definition 7: of n sorted values the quantile p lies at
//! (n − 1) p, counted from the first, and between two values on the line through them. So the median of an even
//! number is the mean of the middle two, and 0 and 1 are the least and the greatest. Values that are not finite are
//! left out.

use std::cmp::Ordering;

/// `f32` or `f64`.
pub trait Real: Copy + PartialOrd {
    /// The total order.
    fn order(&self, other: &Self) -> Ordering;
    /// Neither infinite nor not a number.
    fn is_known(self) -> bool;
    /// The value so much of the way from `self` (0) to `other` (1).
    fn towards(self, other: Self, part: f64) -> Self;
    /// |self − other|.
    fn distance(self, other: Self) -> Self;
}

macro_rules! real {
    ($of:ty) => {
        impl Real for $of {
            #[inline(always)]
            fn order(&self, other: &Self) -> Ordering {
                self.total_cmp(other)
            }
            #[inline(always)]
            fn is_known(self) -> bool {
                self.is_finite()
            }
            #[inline(always)]
            fn towards(self, other: Self, part: f64) -> Self {
                (1.0 - part) as $of * self + part as $of * other
            }
            #[inline(always)]
            fn distance(self, other: Self) -> Self {
                (self - other).abs()
            }
        }
    };
}
real!(f32);
real!(f64);

/// The median of what is finite, of an even number the mean of the middle two; `None` of nothing. The values are
/// reordered. Takes a time linear in their number.
///
/// ```
/// assert_eq!(nightloom_fit::median(&mut [9.0, 1.0, f64::NAN, 3.0, 2.0]), Some(2.5));
/// ```
pub fn median<T: Real>(values: &mut [T]) -> Option<T> {
    quantile(values, 0.5)
}

/// [`median`] of values that need a place of their own.
///
/// ```
/// let pairs = [(1, 4.0), (2, 8.0), (3, 5.0)];
/// assert_eq!(nightloom_fit::median_of(pairs.iter().map(|p| p.1)), Some(5.0));
/// ```
pub fn median_of<T: Real>(values: impl IntoIterator<Item = T>) -> Option<T> {
    median(&mut values.into_iter().collect::<Vec<T>>())
}

/// The quantile `part` (0 to 1, held within) of what is finite; `None` of nothing. The values are reordered. Takes
/// a time linear in their number.
///
/// ```
/// assert_eq!(nightloom_fit::quantile(&mut [4.0f32, 1.0, 3.0, 2.0], 0.25), Some(1.75));
/// ```
pub fn quantile<T: Real>(values: &mut [T], part: f64) -> Option<T> {
    let values = known(values);
    let (at, over) = place(values.len(), part)?;
    let (_, low, above) = values.select_nth_unstable_by(at, T::order);
    let low = *low;
    // What lies at or above the place holds the next value as its least.
    let next = || above.iter().copied().min_by(T::order);
    let next = if over > 0.0 { next() } else { None };
    Some(next.map_or(low, |next| low.towards(next, over)))
}

/// The same of values that are sorted and finite.
pub fn quantile_sorted<T: Real>(sorted: &[T], part: f64) -> Option<T> {
    let (at, over) = place(sorted.len(), part)?;
    let next = sorted.get(at + 1).filter(|_| over > 0.0);
    Some(next.map_or(sorted[at], |next| sorted[at].towards(*next, over)))
}

/// Number of the value at or below the quantile, and the part of the way to the next.
fn place(count: usize, part: f64) -> Option<(usize, f64)> {
    let at = count.checked_sub(1)? as f64 * part.clamp(0.0, 1.0);
    Some((at as usize, at.fract()))
}

/// The finite values, brought to the front.
pub(crate) fn known<T: Real>(values: &mut [T]) -> &mut [T] {
    let Some(mut count) = values.iter().position(|v| !v.is_known()) else {
        return values;
    };
    for i in count + 1..values.len() {
        if values[i].is_known() {
            values.swap(count, i);
            count += 1;
        }
    }
    &mut values[..count]
}
