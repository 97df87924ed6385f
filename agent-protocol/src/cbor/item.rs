//! Values that are one item of CBOR: read where they lie, written as they lie.
//!
//! A message lists its fields once (`fields!`), and one piece of code walks such a list in either
//! direction. A chip has neither the stack for messages that are handed up by value, nor the flash
//! for a decoder of its own for each of them.
//!
//! The same types derive `minicbor`'s traits, for other programs; tests hold the two against each
//! other.

use super::{Bounded, Reader, Unexpected, Writer};
use crate::cbor::Expected;
use heapless::{String, Vec};

/// A value that is one item of CBOR. Implemented by the messages of this crate and their parts.
pub trait Item {
    /// A value that is there only to be read over.
    fn blank() -> Self
    where
        Self: Sized;

    /// Reads one item over this value. After an error the value means nothing.
    ///
    /// # Errors
    /// [`Unexpected`], the first thing that does not fit.
    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected>;

    /// Writes it.
    fn write(&self, w: &mut Writer<Bounded<'_>>);

    /// Takes note that there is no such field in the message. Whether one may be missing.
    fn leave_out(&mut self) -> bool {
        false
    }

    /// Whether it is left out of a message.
    fn is_left_out(&self) -> bool {
        false
    }
}

/// How fields stand in a message.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    /// A map whose keys are the fields' places in the list.
    Map,
    /// An array in the order of the list.
    List,
}

/// Reads the fields of a message. What has no place in the list is passed over.
#[inline(never)]
pub(crate) fn read_fields(
    r: &mut Reader<'_>,
    shape: Shape,
    fields: &mut [&mut dyn Item],
) -> Result<(), Unexpected> {
    let missing = Unexpected { at: r.at(), expected: Expected::new("every field") };
    let count = match shape {
        Shape::Map => r.map("fields as a map")?,
        Shape::List => r.array("fields as an array")?,
    };
    let mut seen = 0u32;
    for n in 0..usize::try_from(count).unwrap_or(usize::MAX) {
        let key = match shape {
            Shape::Map => r.int("the number of a field")?,
            Shape::List => n as i64,
        };
        match usize::try_from(key).ok().and_then(|key| fields.get_mut(key)) {
            Some(field) => {
                field.read(r)?;
                seen |= 1 << key;
            }
            None => r.skip()?,
        }
    }
    for (n, field) in fields.iter_mut().enumerate() {
        if seen >> n & 1 == 0 && !field.leave_out() {
            return Err(missing);
        }
    }
    Ok(())
}

/// Writes the fields of a message.
#[inline(never)]
pub(crate) fn write_fields(w: &mut Writer<Bounded<'_>>, shape: Shape, fields: &[&dyn Item]) {
    match shape {
        Shape::Map => w.map(fields.iter().filter(|f| !f.is_left_out()).count()),
        Shape::List => w.array(fields.len()),
    };
    for (n, field) in fields.iter().enumerate() {
        if shape == Shape::Map {
            if field.is_left_out() {
                continue;
            }
            w.uint(n as u64);
        }
        field.write(w);
    }
}

/// Implements [`Item`] for a struct: its fields in the order of their keys, which count from 0.
macro_rules! fields {
    ($name:ty, $shape:ident: $($field:ident),+ $(,)?) => {
        impl $crate::cbor::Item for $name {
            fn blank() -> Self {
                Self { $($field: $crate::cbor::Item::blank()),+ }
            }

            fn read(&mut self, r: &mut $crate::cbor::Reader<'_>) -> Result<(), $crate::cbor::Unexpected> {
                $crate::cbor::read_fields(r, $crate::cbor::Shape::$shape, &mut [$(&mut self.$field),+])
            }

            fn write(&self, w: &mut $crate::cbor::Writer<$crate::cbor::Bounded<'_>>) {
                $crate::cbor::write_fields(w, $crate::cbor::Shape::$shape, &[$(&self.$field),+]);
            }
        }
    };
}

/// Implements [`Item`] for an enum without data: its variants in the order of their numbers, which
/// count from 0.
macro_rules! codes {
    ($name:ty: $($variant:ident),+ $(,)?) => {
        impl $crate::cbor::Item for $name {
            fn blank() -> Self {
                [$(Self::$variant),+][0]
            }

            fn read(&mut self, r: &mut $crate::cbor::Reader<'_>) -> Result<(), $crate::cbor::Unexpected> {
                const ALL: &[$name] = &[$(<$name>::$variant),+];
                *self = r.choice(ALL)?;
                Ok(())
            }

            fn write(&self, w: &mut $crate::cbor::Writer<$crate::cbor::Bounded<'_>>) {
                w.uint(*self as u64);
            }
        }
    };
}

pub(crate) use {codes, fields};

macro_rules! numbers {
    ($($name:ty, $read:ident);+) => {$(
        impl Item for $name {
            fn blank() -> Self {
                0
            }

            fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
                let at = r.at();
                let expected = "a number in the range of its field";
                *self = Self::try_from(r.$read(expected)?).map_err(|_| Unexpected { at, expected: Expected::new(expected) })?;
                Ok(())
            }

            fn write(&self, w: &mut Writer<Bounded<'_>>) {
                w.$read((*self).into());
            }
        }
    )+};
}

numbers!(u8, uint; u16, uint; u32, uint; u64, uint; i8, int; i32, int);

/// A field that has to be there, but is not wanted.
pub(crate) struct Passed;

impl Item for Passed {
    fn blank() -> Self {
        Self
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        r.skip()
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        w.null();
    }
}

impl Item for bool {
    fn blank() -> Self {
        false
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        *self = r.bool("true or false")?;
        Ok(())
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        w.bool(*self);
    }
}

/// Null or left out stand for `None`; only the latter is written.
impl<T: Item> Item for Option<T> {
    fn blank() -> Self {
        None
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        if r.null() {
            *self = None;
            return Ok(());
        }
        self.insert(T::blank()).read(r)
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        if let Some(value) = self {
            value.write(w);
        }
    }

    fn leave_out(&mut self) -> bool {
        *self = None;
        true
    }

    fn is_left_out(&self) -> bool {
        self.is_none()
    }
}

/// A byte string of exactly so many bytes.
impl<const N: usize> Item for [u8; N] {
    fn blank() -> Self {
        [0; N]
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        r.fill(self)
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        w.bytes(self);
    }
}

/// An array of exactly three.
impl Item for [u64; 3] {
    fn blank() -> Self {
        [0; 3]
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        r.array_of(3, "an array of three numbers")?;
        self.iter_mut().try_for_each(|number| number.read(r))
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        w.array(3);
        self.iter().for_each(|number| number.write(w));
    }
}

/// A byte string of at most `N` bytes.
impl<const N: usize> Item for Vec<u8, N> {
    fn blank() -> Self {
        Self::new()
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        let expected = "a byte string that is not too long";
        let at = r.at();
        let bytes = r.bytes(expected)?;
        self.clear();
        self.extend_from_slice(bytes).map_err(|_| Unexpected { at, expected: Expected::new(expected) })
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        w.bytes(self);
    }
}

/// A text of at most `N` bytes.
impl<const N: usize> Item for String<N> {
    fn blank() -> Self {
        Self::new()
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        let expected = "a text that is not too long";
        let at = r.at();
        let text = r.text(expected)?;
        self.clear();
        self.push_str(text).map_err(|_| Unexpected { at, expected: Expected::new(expected) })
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        w.text(self);
    }
}

/// Reads an array of at most as many items as there is room for. For the lists in messages, which
/// cannot have an [`Item`] of their own beside that of byte strings.
pub(crate) fn read_list<T: Item, const N: usize>(
    list: &mut Vec<T, N>,
    r: &mut Reader<'_>,
) -> Result<(), Unexpected> {
    let at = r.at();
    let expected = "an array with not too many items";
    let len = r.array(expected)?;
    list.clear();
    for _ in 0..usize::try_from(len).unwrap_or(usize::MAX) {
        list.push(T::blank()).map_err(|_| Unexpected { at, expected: Expected::new(expected) })?;
        if let Some(last) = list.last_mut() {
            last.read(r)?;
        }
    }
    Ok(())
}

/// Writes an array.
pub(crate) fn write_list<T: Item>(list: &[T], w: &mut Writer<Bounded<'_>>) {
    w.array(list.len());
    list.iter().for_each(|item| item.write(w));
}

/// Implements [`Item`] for a list.
macro_rules! list {
    ($item:ty, $most:expr) => {
        impl $crate::cbor::Item for heapless::Vec<$item, { $most }> {
            fn blank() -> Self {
                Self::new()
            }

            fn read(&mut self, r: &mut $crate::cbor::Reader<'_>) -> Result<(), $crate::cbor::Unexpected> {
                $crate::cbor::read_list(self, r)
            }

            fn write(&self, w: &mut $crate::cbor::Writer<$crate::cbor::Bounded<'_>>) {
                $crate::cbor::write_list(self, w);
            }
        }
    };
}

pub(crate) use list;
