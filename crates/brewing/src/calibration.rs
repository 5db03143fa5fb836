//! From what a float gives (an angle, or a gravity that is not quite right) to a gravity.
