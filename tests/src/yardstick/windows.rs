//! The reference rule for "final gravity is stable": two windows, either of which suffices.

use super::median;
use super::regression::{Equivalence, Line, TheilSen};

/// What the outlier test saw at one reading.
#[derive(Debug, Clone, Copy)]
pub struct Hampel {
    /// The median of the window.
    pub median: f64,
    /// The median absolute deviation from it.
    pub deviation: f64,
    /// Whether the reading is an outlier.
    pub flagged: bool,
}

/// Hampel's test of reading `index` within `window` (indices), with a floor for quantised data.
pub fn hampel(
    y: &[f64],
    index: usize,
    window: std::ops::Range<usize>,
    sigmas: f64,
    floor: f64,
) -> Hampel {
    let mut values = y[window].to_vec();
    let middle = median(&mut values);
    let mut deviations: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    let deviation = median(&mut deviations);
    let flagged = (y[index] - middle).abs() > sigmas * (1.4826 * deviation).max(floor);
    Hampel { median: middle, deviation, flagged }
}

/// Flags of readings against the last `n` raw readings, this one among them.
pub fn hampel_trailing(y: &[f64], n: usize, sigmas: f64, floor: f64) -> Vec<bool> {
    (0..y.len())
        .map(|index| {
            hampel(y, index, (index + 1).saturating_sub(n)..index + 1, sigmas, floor).flagged
        })
        .collect()
}

/// Medians of the unflagged readings of each hour; `None` where there are none.
pub fn hourly(t: &[f64], y: &[f64], flags: &[bool]) -> Vec<Option<f64>> {
    let hours = t.last().map_or(0, |last| last.floor() as usize + 1);
    let mut bins = vec![Vec::new(); hours];
    for ((t, y), flagged) in t.iter().zip(y).zip(flags) {
        if !flagged {
            bins[t.floor() as usize].push(*y);
        }
    }
    bins.into_iter().map(|mut bin| (!bin.is_empty()).then(|| median(&mut bin))).collect()
}

/// What one window said at one hour.
#[derive(Debug, Clone, Copy)]
pub struct Window {
    /// Hours with a reading.
    pub count: usize,
    /// In SG an hour.
    pub slope: f64,
    /// Its error, errors taken as independent.
    pub error_ols: f64,
    /// Its error under autocorrelation.
    pub error_hac: f64,
    /// p of the equivalence test, with the larger error.
    pub p: f64,
    /// Theil-Sen slope and interval.
    pub theil_sen: TheilSen,
    /// Median of the last 12 h less that of the first, without sign.
    pub level_difference: f64,
    /// Whether it is stable by this window.
    pub passes: bool,
}

/// The two windows: length in h, and bound in SG an hour.
pub const WINDOWS: [(usize, f64); 2] = [(48, 0.0005 / 24.0), (72, 0.001 / 24.0)];
const FILL: f64 = 0.75;
const LAGS: usize = 6;
const ALPHA: f64 = 0.05;
const LEVEL: f64 = 0.00101;
const LEVEL_HOURS: f64 = 12.0;
const IN_A_ROW: usize = 3;

/// One window of `length` hours that ends at `hour`; `None` where it is too empty.
pub fn window(bins: &[Option<f64>], hour: usize, length: usize, bound: f64) -> Option<Window> {
    let start = hour - length;
    let (x, y): (Vec<f64>, Vec<f64>) = (start..hour)
        .filter_map(|index| bins[index].map(|value| (index as f64 + 0.5, value)))
        .unzip();
    if (x.len() as f64) < FILL * length as f64 {
        return None;
    }
    let centre = hour as f64 - length as f64 / 2.0;
    let centred: Vec<f64> = x.iter().map(|x| x - centre).collect();
    let line = Line::fit(&centred, &y);
    let (error_hac, _) = line.newey_west(LAGS);
    let p = Equivalence::test(line.slope, line.slope_error.max(error_hac), line.count, bound).p();
    let theil_sen = TheilSen::fit(&x, &y, 0.90);
    let part = |test: &dyn Fn(f64) -> bool| {
        let mut values: Vec<f64> =
            x.iter().zip(&y).filter(|(x, _)| test(**x)).map(|(_, y)| *y).collect();
        (!values.is_empty()).then(|| median(&mut values))
    };
    let late = part(&|x| x > hour as f64 - LEVEL_HOURS);
    let early = part(&|x| x < start as f64 + LEVEL_HOURS);
    let level_difference =
        late.zip(early).map_or(f64::INFINITY, |(late, early)| (late - early).abs());
    let passes =
        p < ALPHA && theil_sen.low > -bound && theil_sen.high < bound && level_difference <= LEVEL;
    Some(Window {
        count: line.count,
        slope: line.slope,
        error_ols: line.slope_error,
        error_hac,
        p,
        theil_sen,
        level_difference,
        passes,
    })
}

/// One hour of the reference rule.
#[derive(Debug, Clone)]
pub struct Hour {
    /// The hour at whose end it was asked.
    pub hour: usize,
    /// Each window's answer, where it was long and full enough.
    pub windows: [Option<Window>; 2],
    /// For how many hours in a row a window has passed.
    pub streak: usize,
}

/// The whole rule over one series of readings.
#[derive(Debug, Clone)]
pub struct Run {
    /// Outliers.
    pub flags: Vec<bool>,
    /// Hourly medians.
    pub bins: Vec<Option<f64>>,
    /// From the shorter window's length on.
    pub hours: Vec<Hour>,
    /// The hour at which it was declared stable.
    pub declared: Option<usize>,
    /// The median of the 24 h before, in SG.
    pub final_sg: Option<f64>,
}

/// Runs the rule over readings at `t` (hours) of `y` (SG); with `until_declared` it stops there.
pub fn run(t: &[f64], y: &[f64], until_declared: bool) -> Run {
    let flags = hampel_trailing(y, 16, 3.0, 3.13e-4);
    let bins = hourly(t, y, &flags);
    let (mut hours, mut streak, mut declared) = (Vec::new(), 0, None);
    for hour in WINDOWS[0].0..=bins.len() {
        let windows = WINDOWS.map(|(length, bound)| {
            (hour >= length).then(|| window(&bins, hour, length, bound)).flatten()
        });
        let passes = windows.iter().flatten().any(|window| window.passes);
        streak = if passes { streak + 1 } else { 0 };
        hours.push(Hour { hour, windows, streak });
        if streak >= IN_A_ROW && declared.is_none() {
            declared = Some(hour);
            if until_declared {
                break;
            }
        }
    }
    let final_sg = declared.map(|hour| {
        let mut last: Vec<f64> = bins[hour - 24..hour].iter().flatten().copied().collect();
        median(&mut last)
    });
    Run { flags, bins, hours, declared, final_sg }
}
