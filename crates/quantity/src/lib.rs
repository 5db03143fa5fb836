//! Temperatures, gravities, rates and spans: types with units, parsed and printed.
//!
//! Every quantity that a person writes is a string with its unit ([`Quantity::parse`]). A value of
//! one of these types is finite and within the stated range of its kind: whoever holds one need not
//! check it again. Inside, each kind has one unit (named by its accessor); other units exist only
//! at the edges.

mod amount;
mod error;
mod gravity;
mod parse;
mod show;
mod stamp;
mod temperature;

pub use amount::{Angle, Expansion, Mass, Power, Share, Volume};
pub use error::{QuantityError, Reason};
pub use gravity::{Gravity, GravityDelta, GravityRate, plato_from_sg, sg_from_plato};
pub use parse::Quantity;
pub use show::{GravityUnit, Show, TemperatureUnit};
pub use stamp::{Span, Stamp};
pub use temperature::{Temperature, TemperatureDelta, TemperatureRate};
