//! Tables made when compiling. They also give the images the size of real firmware.

/// Entries in [`SINE`].
pub const SINE_LEN: usize = 8192;

/// One turn of a sine, -32767 to 32767.
pub static SINE: [i16; SINE_LEN] = sine();

const fn sine() -> [i16; SINE_LEN] {
    // A unit vector turned by one step at a time. In f64 the error after a whole turn is far below one count.
    let step = core::f64::consts::TAU / SINE_LEN as f64;
    let (s, c) = (small_sine(step), small_cosine(step));
    let (mut x, mut y) = (1.0f64, 0.0f64);
    let mut table = [0; SINE_LEN];
    let mut n = 0;
    while n < SINE_LEN {
        table[n] = rounded(y * 32767.0) as i16;
        (x, y) = (x * c - y * s, x * s + y * c);
        n += 1;
    }
    table
}

/// Sine of a small angle, by its series.
const fn small_sine(x: f64) -> f64 {
    let q = x * x;
    x * (1.0 - q / 6.0 * (1.0 - q / 20.0 * (1.0 - q / 42.0)))
}

/// Cosine of a small angle, by its series.
const fn small_cosine(x: f64) -> f64 {
    let q = x * x;
    1.0 - q / 2.0 * (1.0 - q / 12.0 * (1.0 - q / 30.0))
}

const fn rounded(x: f64) -> i32 {
    if x < 0.0 { (x - 0.5) as i32 } else { (x + 0.5) as i32 }
}

/// Entries in [`SOUND`]: -40 to +62.35 degrees Celsius in steps of 0.05.
pub const SOUND_LEN: usize = 2048;

/// Speed of sound in dry air in micrometres per millisecond, from -40 degrees Celsius up in steps of 0.05.
///
/// Source: ISO 9613-1:1993, `343.2 * sqrt(T / 293.15)` m/s with T in kelvins.
pub static SOUND: [u32; SOUND_LEN] = sound();

const fn sound() -> [u32; SOUND_LEN] {
    let mut table = [0; SOUND_LEN];
    let mut n = 0;
    while n < SOUND_LEN {
        let kelvin = 273.15 - 40.0 + n as f64 * 0.05;
        table[n] = rounded(343_200.0 * root(kelvin / 293.15)) as u32;
        n += 1;
    }
    table
}

/// Square root of a number near 1, by Newton's method.
const fn root(x: f64) -> f64 {
    let mut r = x;
    let mut n = 0;
    while n < 6 {
        r = (r + x / r) / 2.0;
        n += 1;
    }
    r
}

// Source: ISO 9613-1:1993, reference speed at 20 degrees Celsius.
const _: () = assert!(SOUND[1200] == 343_200);

/// Entries in [`GAMMA`].
pub const GAMMA_LEN: usize = 16384;

/// Brightness to lamp level, so that equal steps look equal: `x^2.2`, 0 to 65535.
pub static GAMMA: [u16; GAMMA_LEN] = gamma();

const fn gamma() -> [u16; GAMMA_LEN] {
    let mut table = [0; GAMMA_LEN];
    let mut n = 1;
    // The fifth root changes little from entry to entry, so two steps of Newton's method follow it.
    let mut fifth = 0.2;
    while n < GAMMA_LEN {
        let x = n as f64 / (GAMMA_LEN - 1) as f64;
        let mut k = if n == 1 { 0 } else { 6 };
        while k < 8 {
            let p = fifth * fifth * fifth * fifth;
            fifth = (4.0 * fifth + x / p) / 5.0;
            k += 1;
        }
        table[n] = rounded(x * x * fifth * 65535.0) as u16;
        n += 1;
    }
    table
}

const _: () = assert!(GAMMA[0] == 0 && GAMMA[GAMMA_LEN - 1] == 65535);
