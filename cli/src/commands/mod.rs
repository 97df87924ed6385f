//! The commands: each file reads its arguments, calls the library and shows the answer.
