//! From readings to what we believe of a beer.
