//! A value with what was worked out of it: beliefs are asked much more often than they change.

use serde::{Deserialize, Serialize};
use std::ops::{Deref, DerefMut};
use std::sync::OnceLock;

/// A value, and what was worked out of it since it last changed.
///
/// Invariant: `found` is what [`Kept::found`]'s function gives for `value`; whoever may change the
/// value lets go of it first. It is no part of the value: it is neither compared nor stored.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(transparent)]
pub(crate) struct Kept<T, F> {
    value: T,
    #[serde(skip, default = "OnceLock::new")]
    found: OnceLock<F>,
}

impl<T, F> Kept<T, F> {
    /// What this function works out of the value; it is to be the same one at each call.
    pub fn found(&self, function: impl FnOnce(&T) -> F) -> &F {
        self.found.get_or_init(|| function(&self.value))
    }
}

impl<T, F> From<T> for Kept<T, F> {
    fn from(value: T) -> Self {
        Kept { value, found: OnceLock::new() }
    }
}

impl<T: PartialEq, F> PartialEq for Kept<T, F> {
    fn eq(&self, other: &Self) -> bool {
        self.value == other.value
    }
}

impl<T, F> Deref for Kept<T, F> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.value
    }
}

impl<T, F> DerefMut for Kept<T, F> {
    fn deref_mut(&mut self) -> &mut T {
        self.found.take();
        &mut self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sum(of: &Kept<Vec<u32>, u32>) -> u32 {
        *of.found(|list| list.iter().sum())
    }

    #[test]
    fn what_was_worked_out_is_let_go_with_each_change() {
        let mut list = Kept::from(vec![1, 2]);
        assert_eq!((sum(&list), *list.found(|_| unreachable!("it is kept"))), (3, 3));
        list.push(4);
        assert_eq!(sum(&list), 7);
        let copy = list.clone();
        list.clear();
        assert_eq!((sum(&list), sum(&copy)), (0, 7));
    }

    #[test]
    fn it_is_neither_compared_nor_stored() {
        let list: Kept<Vec<u32>, u32> = vec![1, 2].into();
        let asked = list.clone();
        assert_eq!(sum(&asked), 3);
        assert_eq!(list, asked);
        assert_eq!(serde_json::to_string(&asked).unwrap(), "[1,2]");
        assert_eq!(serde_json::from_str::<Kept<Vec<u32>, u32>>("[1,2]").unwrap(), asked);
    }
}
