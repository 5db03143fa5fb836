//! A value that copies have in common until one of them changes it: a belief is copied much more
//! often than its banks change.

use serde::{Deserialize, Serialize};
use std::ops::{Deref, DerefMut};
use std::sync::Arc;

/// A value that is copied when it is changed, and not before.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub(crate) struct Shared<T>(Arc<T>);

impl<T> From<T> for Shared<T> {
    fn from(value: T) -> Self {
        Shared(Arc::new(value))
    }
}

impl<T> Deref for Shared<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.0
    }
}

impl<T: Clone> DerefMut for Shared<T> {
    fn deref_mut(&mut self) -> &mut T {
        Arc::make_mut(&mut self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_stays_with_its_copy() {
        let first = Shared::from(vec![1]);
        let mut second = first.clone();
        assert!(std::ptr::eq(&*first, &*second));
        second.push(2);
        assert_eq!((&*first, &*second), (&vec![1], &vec![1, 2]));
    }
}
