//! What a board has to bring.

mod flash;

pub use flash::{Flash, FlashFault};
