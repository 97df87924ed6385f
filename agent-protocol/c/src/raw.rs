//! From raw pointers to references and back: the checks that every function makes first.

use crate::code::PintleCode;

fn check<T>(p: *const T) -> Result<(), PintleCode> {
    if p.is_null() {
        Err(PintleCode::Null)
    } else if !p.is_aligned() {
        Err(PintleCode::Align)
    } else {
        Ok(())
    }
}

/// What `p` points to.
///
/// # Safety
/// If not null, `p` points to a `T` that was written, and that nobody changes during `'a`.
pub(crate) unsafe fn get<'a, T>(p: *const T) -> Result<&'a T, PintleCode> {
    check(p)?;
    // SAFETY: not null and aligned; the rest is what the caller promised.
    Ok(unsafe { &*p })
}

/// Writes to where `p` points.
///
/// # Safety
/// If not null, `p` points to memory for a `T` that may be written.
pub(crate) unsafe fn put<T>(p: *mut T, value: T) -> Result<(), PintleCode> {
    check(p)?;
    // SAFETY: not null and aligned; the rest is what the caller promised.
    unsafe { p.write(value) };
    Ok(())
}

/// Writes to where `p` points, unless it is null.
///
/// # Safety
/// As [`put`].
pub(crate) unsafe fn put_if<T>(p: *mut T, value: T) -> Result<(), PintleCode> {
    if p.is_null() {
        return Ok(());
    }
    // SAFETY: the caller promised the same.
    unsafe { put(p, value) }
}

/// Whether something could be written to where `p` points: for looking before anything is done.
pub(crate) fn writable<T>(p: *mut T) -> Result<(), PintleCode> {
    check(p.cast_const())
}

/// The `len` bytes from `p` on. Null is allowed for no bytes.
///
/// # Safety
/// If not null, `p` points to `len` bytes that were written, and that nobody changes during `'a`.
pub(crate) unsafe fn bytes<'a>(p: *const u8, len: usize) -> Result<&'a [u8], PintleCode> {
    if len == 0 {
        return Ok(&[]);
    }
    if p.is_null() {
        return Err(PintleCode::Null);
    }
    // No object in memory is larger.
    if isize::try_from(len).is_err() {
        return Err(PintleCode::Length);
    }
    // SAFETY: not null, not too long, bytes need no alignment; the rest is what the caller promised.
    Ok(unsafe { core::slice::from_raw_parts(p, len) })
}

/// Copies `from` to `to`.
///
/// # Safety
/// If not null, `to` points to at least `from.len()` bytes that may be written, apart from `from`.
pub(crate) unsafe fn copy(from: &[u8], to: *mut u8) -> Result<(), PintleCode> {
    if to.is_null() {
        return Err(PintleCode::Null);
    }
    // SAFETY: both are valid for the length, and apart, as the caller promised.
    unsafe { core::ptr::copy_nonoverlapping(from.as_ptr(), to, from.len()) };
    Ok(())
}
