//! The io chip's loader, without a node around it.

use crate::code::PintleCode;
use crate::message::{answer_out, ask_in};
use crate::raw;
use core::ffi::c_void;
use pintle_protocol::board::FlashFault;
use pintle_protocol::id::Digest;
use pintle_protocol::link::{Answer, Ask, Loader, LoaderStore};

/// A loader's state: begins with pintle_loader_init, not for looking at.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct PintleLoader {
    /// Not for looking at.
    pub state: [u64; 8],
}

/// What is in it; the mark comes first.
#[repr(C)]
#[derive(Clone, Copy)]
struct Inside {
    mark: u64,
    loader: Loader,
}

const MARK: u64 = u64::from_be_bytes(*b"loader 1");
const _: () = assert!(size_of::<Inside>() <= size_of::<PintleLoader>());
const _: () = assert!(align_of::<Inside>() <= align_of::<PintleLoader>());

/// The io chip's application flash. Every callback gets the context as its first argument; those
/// that return a number return 0, or anything else if it did not work.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct PintleLoaderStore {
    /// sizeof(PintleLoaderStore).
    pub size: u32,
    /// Room for an image, in bytes.
    pub room: u32,
    /// Handed to every callback; may be null.
    pub context: *mut c_void,
    /// Erases what size bytes from the image's start need.
    pub erase: Option<unsafe extern "C" fn(context: *mut c_void, size: u32) -> i32>,
    /// Programs bytes at an offset in the image. Offsets come in order and are multiples of 4; only the
    /// last piece may have a length that is none.
    pub program:
        Option<unsafe extern "C" fn(context: *mut c_void, offset: u32, bytes: *const u8, len: usize) -> i32>,
    /// Reads back from an offset in the image.
    pub read:
        Option<unsafe extern "C" fn(context: *mut c_void, offset: u32, into: *mut u8, len: usize) -> i32>,
    /// Marks the image whole, with its size and its SHA-256 of 32 bytes; or not whole: size 0, digest
    /// null. The chip starts an application only if it is marked whole and measures so.
    pub mark: Option<unsafe extern "C" fn(context: *mut c_void, size: u32, digest: *const u8) -> i32>,
}

struct Store<'a>(&'a PintleLoaderStore);

fn worked(result: Option<i32>) -> Result<(), FlashFault> {
    if result == Some(0) { Ok(()) } else { Err(FlashFault::Chip) }
}

impl LoaderStore for Store<'_> {
    fn room(&self) -> u32 {
        self.0.room
    }

    fn erase(&mut self, size: u32) -> Result<(), FlashFault> {
        // SAFETY: the firmware's function for this.
        worked(self.0.erase.map(|erase| unsafe { erase(self.0.context, size) }))
    }

    fn program(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        let (from, len) = (bytes.as_ptr(), bytes.len());
        // SAFETY: the firmware's function for this; the pointer is good for the length.
        worked(self.0.program.map(|program| unsafe { program(self.0.context, offset, from, len) }))
    }

    fn measure(&mut self, size: u32) -> Result<Digest, FlashFault> {
        Digest::of_pieces(size, |offset, into| {
            let (to, len) = (into.as_mut_ptr(), into.len());
            // SAFETY: the firmware's function for this; the pointer is good for the length.
            worked(self.0.read.map(|read| unsafe { read(self.0.context, offset, to, len) }))
        })
    }

    fn mark(&mut self, whole: Option<(u32, Digest)>) -> Result<(), FlashFault> {
        let (size, digest) = match &whole {
            Some((size, digest)) => (*size, digest.0.as_ptr()),
            None => (0, core::ptr::null()),
        };
        // SAFETY: the firmware's function for this; the digest is null or has 32 bytes.
        worked(self.0.mark.map(|mark| unsafe { mark(self.0.context, size, digest) }))
    }
}

/// A store that was found complete.
///
/// # Safety
/// If not null, `store` is good during `'a`.
unsafe fn whole<'a>(store: *const PintleLoaderStore) -> Result<&'a PintleLoaderStore, PintleCode> {
    // SAFETY: as promised.
    let store = unsafe { raw::get(store) }?;
    if usize::try_from(store.size) != Ok(size_of::<PintleLoaderStore>()) {
        return Err(PintleCode::Version);
    }
    if store.erase.is_none() || store.program.is_none() || store.read.is_none() || store.mark.is_none() {
        return Err(PintleCode::Callback);
    }
    Ok(store)
}

/// SHA-256 of the first size bytes of the store, read back: what the chip compares with its mark
/// before it starts the application. PINTLE_CODE_LENGTH: more than there is room for.
///
/// # Safety
/// store is a whole table; digest has room for 32 bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_loader_measure(
    store: *const PintleLoaderStore,
    size: u32,
    digest: *mut u8,
) -> PintleCode {
    // SAFETY: as promised.
    let measured = unsafe { whole(store) }.and_then(|store| {
        if size > store.room {
            return Err(PintleCode::Length);
        }
        let Digest(bytes) = Store(store).measure(size).map_err(|_| PintleCode::Flash)?;
        // SAFETY: as promised.
        unsafe { raw::copy(&bytes, digest) }
    });
    PintleCode::of(measured)
}

/// Begins a loader: at the start of the chip where there is no whole application, and on
/// PINTLE_ASK_KIND_ENTER_LOADER.
///
/// # Safety
/// loader can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_loader_init(loader: *mut PintleLoader) -> PintleCode {
    // SAFETY: as promised; the assertions above say that it fits.
    PintleCode::of(unsafe { raw::put(loader.cast::<Inside>(), Inside { mark: MARK, loader: Loader::new() }) })
}

/// Takes a frame and answers it, if it is a question about images. Keep the relay off meanwhile.
///
/// out: gets PINTLE_FRAME_MAX bytes: the answer, with zeros behind it.
/// out_len: gets the answer's length.
///
/// PINTLE_CODE_OK: send the answer. PINTLE_CODE_START: send it, then start the application.
/// PINTLE_CODE_NOT_FOR_LOADER: another question; take it apart with pintle_ask_decode.
/// PINTLE_CODE_FLASH: flash failed, and the image is not whole. Send the answer all the same: it is no.
///
/// # Safety
/// The pointers are null or good for what is said above, for as long as the call takes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_loader_frame(
    loader: *mut PintleLoader,
    store: *const PintleLoaderStore,
    frame: *const u8,
    len: usize,
    out: *mut u8,
    out_len: *mut usize,
) -> PintleCode {
    let result = (|| {
        raw::writable(out)?;
        raw::writable(out_len)?;
        // SAFETY: as promised; only the mark is looked at before anything is made of the rest.
        let mark = unsafe { raw::get(loader.cast_const().cast::<u64>()) }?;
        if *mark != MARK {
            return Err(PintleCode::Ended);
        }
        // SAFETY: as promised.
        let store = unsafe { whole(store) }?;
        // SAFETY: as promised.
        let frame = unsafe { raw::bytes(frame, len) }?;
        let (sequence, ask) = ask_in(frame)?;
        // SAFETY: the mark says that pintle_loader_init has written it, and one thread uses it.
        let mut inside = unsafe { loader.cast::<Inside>().read() };
        let answer = inside.loader.handle(&ask, &mut Store(store));
        // SAFETY: as above. Written whatever came of it: after a fault the next transfer erases.
        unsafe { loader.cast::<Inside>().write(inside) };
        let (answer, code) = match answer {
            Ok(None) => return Ok(PintleCode::NotForLoader),
            Ok(Some(done @ Answer::Done { .. })) if ask == Ask::Start => (done, PintleCode::Start),
            Ok(Some(answer)) => (answer, PintleCode::Ok),
            Err(_) => (Answer::No, PintleCode::Flash),
        };
        // SAFETY: as promised.
        unsafe { answer_out(sequence, &answer, out, out_len) }?;
        Ok(code)
    })();
    match result {
        Ok(code) | Err(code) => code,
    }
}
