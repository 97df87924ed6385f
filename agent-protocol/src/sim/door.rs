//! A door that people use.

/// Distance at which the virtual doors are open, in millimetres.
pub const OPEN_MM: u16 = 320;
/// Distance at which they are closed, in millimetres.
pub const SHUT_MM: u16 = 2300;
/// Speed, in millimetres per second: common practice, no source (15 to 30 cm/s).
const SPEED: u16 = 180;

/// Where a door is and where it goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Door {
    /// Distance from the range finder to the panel, in millimetres.
    pub distance_mm: u16,
    target_mm: u16,
    rest_seconds: u32,
    /// Somebody stands at the button.
    pub hand_at_button: bool,
    /// An unattended close is due.
    pub close_pending: bool,
    /// The warning before it sounds.
    pub warning: bool,
    /// Carbon monoxide, in ppm.
    pub co_ppm: u16,
    /// Supply voltage, in millivolts.
    pub supply_mv: u16,
    /// Temperature of the air, in degrees C.
    pub temperature_c: i8,
}

impl Door {
    /// A door at rest for a long time.
    pub fn at_rest(open: bool) -> Self {
        let distance_mm = if open { OPEN_MM } else { SHUT_MM };
        Self {
            distance_mm,
            target_mm: distance_mm,
            rest_seconds: 3600,
            hand_at_button: false,
            close_pending: false,
            warning: false,
            co_ppm: 0,
            supply_mv: 5000,
            temperature_c: 12,
        }
    }

    /// Whether it moves.
    pub fn moves(&self) -> bool {
        self.distance_mm != self.target_mm
    }

    /// How long it has been at rest, in seconds.
    pub fn rest_seconds(&self) -> u32 {
        self.rest_seconds
    }

    /// Somebody uses the operator's own wall button: the door goes to the other end.
    pub fn used(&mut self) {
        self.target_mm = if self.distance_mm < (OPEN_MM + SHUT_MM) / 2 { SHUT_MM } else { OPEN_MM };
        self.rest_seconds = 0;
    }

    /// Time goes on by one second.
    pub fn second(&mut self) {
        let gap = self.target_mm.abs_diff(self.distance_mm).min(SPEED);
        if gap == 0 {
            self.rest_seconds = self.rest_seconds.saturating_add(1);
            return;
        }
        self.rest_seconds = 0;
        if self.target_mm > self.distance_mm {
            self.distance_mm += gap;
        } else {
            self.distance_mm -= gap;
        }
    }
}
