//! Samples for whatever tests or measures, each in one place.

use pintle_protocol::checkin::Position;
use pintle_protocol::link::Status;

/// What the io chip says of a door at rest that somebody has the button of, by settings that are none.
pub fn status() -> Status {
    Status {
        position: Position::Closed,
        moving: false,
        relay_pulse: false,
        close_pending: false,
        warning: false,
        button: true,
        gas_alarm: false,
        plausible: true,
        inhibited: true,
        rest_seconds: 600,
        supply_mv: 5010,
        relay_pulses: 70_001,
        settings: 0,
    }
}
