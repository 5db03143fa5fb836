//! What the program tests share.
