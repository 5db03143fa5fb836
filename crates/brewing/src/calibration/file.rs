//! A calibration as it lies on disk: plain numbers with their units in their names.

use super::{Calibration, ORDER_MAX, Reads};
use quantity::Expansion;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The version of the form that is written and read.
const FORMAT: u32 = 1;

/// The file that `calibrate` writes. It holds nothing checked: a [`Calibration`] is made from it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrationFile {
    /// Version of this form: 1.
    pub format: u32,
    /// On how many points it was made.
    pub readings: u32,
    /// Standard deviation of the points about it, in points of 0.001 SG.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub residual_sd_points: Option<f64>,
    /// Root mean square error on points left out, in points of 0.001 SG.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub leave_one_out_points: Option<f64>,
    /// The volume expansion of the float's body that its points were corrected with, in ppm/K: the
    /// configuration needs the same `expansion`. Left out: they were not corrected.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expansion_ppm_per_kelvin: Option<f64>,
    /// By rising power of x = (value − centre)/half_width: for an angle the gravity, for a gravity
    /// what is added to it. One term is an offset.
    pub terms_sg: Vec<f64>,
    /// For a float that gives an angle: its scale in degrees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angle_deg: Option<Inputs>,
    /// For a float that gives a gravity: its scale in SG.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gravity_sg: Option<Inputs>,
}

/// Scale and range of what a float gives, in the unit that the field's name says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Inputs {
    /// The value at which x is 0.
    pub centre: f64,
    /// How far from the centre x is 1.
    pub half_width: f64,
    /// The lowest value that it was made on.
    pub lowest: f64,
    /// The highest value that it was made on.
    pub highest: f64,
}

/// Why a file is no calibration.
#[derive(Debug, Clone, PartialEq)]
pub enum FileError {
    /// It is of another version.
    Format(u32),
    /// It has both `angle_deg` and `gravity_sg`, or neither.
    OneScale,
    /// A number is not finite, or is out of its range; the field is named.
    Number(&'static str),
    /// It has this many terms: 1 to 5 are possible, 2 to 5 for an angle.
    Terms(usize),
    /// It goes up and down within its range, so that two gravities would read the same.
    NotMonotone,
}

impl fmt::Display for FileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            FileError::Format(format) => {
                write!(f, "the calibration has format {format}: this program reads {FORMAT}")
            }
            FileError::OneScale => {
                f.write_str("the calibration needs either `angle_deg` or `gravity_sg`")
            }
            FileError::Number(field) => {
                write!(f, "`{field}` of the calibration is not a possible number")
            }
            FileError::Terms(count) => write!(
                f,
                "`terms_sg` has {count} terms: a gravity can have 1 to 5, an angle 2 to 5"
            ),
            FileError::NotMonotone => f.write_str(
                "the calibration rises and falls within its range, so a reading has no one meaning",
            ),
        }
    }
}

impl std::error::Error for FileError {}

impl FileError {
    /// The next step for whoever has the file.
    pub fn hint(&self) -> &'static str {
        match self {
            FileError::Format(_) => "make it again with `barmkeep calibrate`",
            FileError::OneScale | FileError::Number(_) | FileError::Terms(_) => {
                "the file was changed by hand or cut off: make it again with `barmkeep calibrate`"
            }
            FileError::NotMonotone => {
                "measure more points and make it again with `barmkeep calibrate`"
            }
        }
    }
}

impl TryFrom<CalibrationFile> for Calibration {
    type Error = FileError;

    fn try_from(file: CalibrationFile) -> Result<Self, FileError> {
        if file.format != FORMAT {
            return Err(FileError::Format(file.format));
        }
        let (reads, inputs) = match (file.angle_deg, file.gravity_sg) {
            (Some(inputs), None) => (Reads::Angle, inputs),
            (None, Some(inputs)) => (Reads::Gravity, inputs),
            (Some(_), Some(_)) | (None, None) => return Err(FileError::OneScale),
        };
        check_numbers(&file, inputs)?;
        let fewest = if reads == Reads::Angle { 2 } else { 1 };
        if !(fewest..=ORDER_MAX + 1).contains(&file.terms_sg.len()) {
            return Err(FileError::Terms(file.terms_sg.len()));
        }
        let expansion = expansion(file.expansion_ppm_per_kelvin)?;
        let calibration = Calibration {
            reads,
            centre: inputs.centre,
            half_width: inputs.half_width,
            lowest: inputs.lowest,
            highest: inputs.highest,
            terms: file.terms_sg,
            residual_sd_points: file.residual_sd_points,
            leave_one_out_points: file.leave_one_out_points,
            expansion,
            readings: file.readings,
        };
        if calibration.is_monotone() { Ok(calibration) } else { Err(FileError::NotMonotone) }
    }
}

impl From<Calibration> for CalibrationFile {
    fn from(calibration: Calibration) -> Self {
        let inputs = Inputs {
            centre: calibration.centre,
            half_width: calibration.half_width,
            lowest: calibration.lowest,
            highest: calibration.highest,
        };
        let (angle_deg, gravity_sg) = match calibration.reads {
            Reads::Angle => (Some(inputs), None),
            Reads::Gravity => (None, Some(inputs)),
        };
        CalibrationFile {
            format: FORMAT,
            readings: calibration.readings,
            residual_sd_points: calibration.residual_sd_points,
            leave_one_out_points: calibration.leave_one_out_points,
            expansion_ppm_per_kelvin: calibration.expansion.map(ppm_per_kelvin),
            terms_sg: calibration.terms,
            angle_deg,
            gravity_sg,
        }
    }
}

/// In ppm/K, without the last digits that a conversion leaves behind.
fn ppm_per_kelvin(body: Expansion) -> f64 {
    (body.per_kelvin() * 1e12).round() / 1e6
}

fn expansion(ppm_per_kelvin: Option<f64>) -> Result<Option<Expansion>, FileError> {
    let Some(ppm) = ppm_per_kelvin else { return Ok(None) };
    let body = Expansion::from_per_kelvin(ppm * 1e-6);
    body.map(Some).ok_or(FileError::Number("expansion_ppm_per_kelvin"))
}

fn check_numbers(file: &CalibrationFile, inputs: Inputs) -> Result<(), FileError> {
    let error = |points: Option<f64>| points.is_none_or(|p| p.is_finite() && p >= 0.0);
    let possible = [
        ("terms_sg", file.terms_sg.iter().all(|term| term.is_finite())),
        ("residual_sd_points", error(file.residual_sd_points)),
        ("leave_one_out_points", error(file.leave_one_out_points)),
        ("centre", inputs.centre.is_finite()),
        ("half_width", inputs.half_width.is_finite() && inputs.half_width > 0.0),
        ("lowest", inputs.lowest.is_finite()),
        ("highest", inputs.highest.is_finite() && inputs.highest >= inputs.lowest),
    ];
    match possible.iter().find(|(_, possible)| !possible) {
        Some((field, _)) => Err(FileError::Number(field)),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file() -> CalibrationFile {
        CalibrationFile {
            format: 1,
            readings: 7,
            residual_sd_points: Some(0.8),
            leave_one_out_points: Some(1.0),
            expansion_ppm_per_kelvin: Some(203.0),
            terms_sg: vec![1.039, 0.0497, -0.0055],
            angle_deg: Some(Inputs {
                centre: 44.85,
                half_width: 22.05,
                lowest: 22.8,
                highest: 66.9,
            }),
            gravity_sg: None,
        }
    }

    fn refused(change: impl FnOnce(&mut CalibrationFile)) -> FileError {
        let mut changed = file();
        change(&mut changed);
        Calibration::try_from(changed).unwrap_err()
    }

    #[test]
    fn a_file_round_trips() {
        let calibration = Calibration::try_from(file()).unwrap();
        assert_eq!(CalibrationFile::from(calibration), file());
    }

    #[test]
    fn it_is_plain_toml() {
        let text = "format = 1\nreadings = 2\nterms_sg = [-0.002]\n\n[gravity_sg]\n\
                    centre = 1.0\nhalf_width = 1.0\nlowest = 1.0\nhighest = 1.0\n";
        let calibration: Calibration = toml::from_str(text).unwrap();
        assert_eq!(toml::to_string(&calibration).unwrap(), text);
        let error = toml::from_str::<Calibration>(&text.replace("format = 1", "format = 3"));
        assert!(error.unwrap_err().to_string().contains("format 3"));
    }

    #[test]
    fn what_is_no_calibration_is_refused_with_the_reason() {
        let scale = |file: &mut CalibrationFile, change: fn(&mut Inputs)| {
            if let Some(inputs) = &mut file.angle_deg {
                change(inputs);
            }
        };
        for (error, expected) in [
            (refused(|f| f.format = 2), FileError::Format(2)),
            (refused(|f| f.gravity_sg = f.angle_deg), FileError::OneScale),
            (refused(|f| f.angle_deg = None), FileError::OneScale),
            (refused(|f| f.terms_sg = vec![]), FileError::Terms(0)),
            (refused(|f| f.terms_sg = vec![1.0]), FileError::Terms(1)),
            (refused(|f| f.terms_sg = vec![1.0; 6]), FileError::Terms(6)),
            (refused(|f| f.terms_sg[1] = f64::NAN), FileError::Number("terms_sg")),
            (refused(|f| f.terms_sg[2] = 0.05), FileError::NotMonotone),
            (
                refused(|f| f.residual_sd_points = Some(-1.0)),
                FileError::Number("residual_sd_points"),
            ),
            (
                refused(|f| f.expansion_ppm_per_kelvin = Some(3000.0)),
                FileError::Number("expansion_ppm_per_kelvin"),
            ),
            (refused(|f| scale(f, |i| i.half_width = 0.0)), FileError::Number("half_width")),
            (refused(|f| scale(f, |i| i.highest = 10.0)), FileError::Number("highest")),
        ] {
            assert_eq!(error, expected);
            assert!(!error.to_string().is_empty() && error.hint().contains("calibrate"));
        }
    }
}
