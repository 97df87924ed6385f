//! Copying between buffers whose lengths were compared before.

/// Copies `from` to the start of `to`, as far as both go.
///
/// `copy_from_slice` has a panic for lengths that differ, which the compiler keeps wherever it cannot see that they
/// do not; a linked node is searched for what could panic.
pub(crate) fn copy(from: &[u8], to: &mut [u8]) {
    for (to, from) in to.iter_mut().zip(from) {
        *to = *from;
    }
}
