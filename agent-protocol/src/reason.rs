//! Why an update was refused or went back, as a number on the wire and a sentence for people.

use core::fmt;

macro_rules! reasons {
    ($($(#[$doc:meta])* $name:ident = $code:literal, $sentence:literal;)*) => {
        /// Why an update was refused or went back. The number travels in
        /// [`crate::checkin::Outcome::reason`]; what its `detail` means stands with each.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        #[non_exhaustive]
        pub enum Reason {
            $($(#[$doc])* $name,)*
        }

        impl Reason {
            /// Every reason.
            pub const ALL: &'static [Self] = &[$(Self::$name),*];

            /// The number on the wire.
            pub const fn code(self) -> u16 {
                match self { $(Self::$name => $code,)* }
            }

            /// Reads the number.
            pub const fn from_code(code: u16) -> Option<Self> {
                match code { $($code => Some(Self::$name),)* _ => None }
            }

            /// The sentence for people, without a full stop.
            pub const fn sentence(self) -> &'static str {
                match self { $(Self::$name => $sentence,)* }
            }
        }
    };
}

reasons! {
    /// The envelope is not what it should be; detail: byte offset.
    EnvelopeBroken = 100, "the envelope is damaged or not in the one accepted form";
    /// No signature by a known key verifies; detail: byte offset.
    SignatureWrong = 101, "no known key has signed it";
    /// The key has no right to a component; detail: index of the component.
    RoleWrong = 102, "the key that signed it may not change this part";
    /// Vendor or class identifier of another board; detail: offset of the command.
    ClassOther = 103, "it is for another class of board";
    /// Device identifier of another node; detail: offset of the command.
    NodeOther = 104, "it is for another node";
    /// Sequence number not higher than one already kept; detail: the number.
    SequenceOld = 105, "its sequence number is not higher than one already kept";
    /// Envelope or payload larger than the room for it; detail: bytes claimed.
    TooLarge = 106, "it is larger than the room for it";
    /// A command, parameter or algorithm that this node does not implement; detail: the code.
    Unsupported = 107, "it asks for something that this node does not implement";
    /// A condition of the manifest failed; detail: offset of the command.
    ConditionFailed = 108, "a condition in its manifest is not met";
    /// The envelope that came is not the one that was offered.
    EnvelopeOther = 109, "the envelope is not the one that was offered";
    /// It takes more steps than a manifest may; detail: offset of the command.
    TooLong = 110, "its manifest takes more steps than are allowed";
    /// The server has no such envelope or payload; detail: 0. What fails otherwise is asked for again.
    FetchFailed = 200, "the server does not have what it needs";
    /// The payload's digest is another than the manifest's.
    PayloadWrong = 201, "what was fetched is not what was signed";
    /// The image carries no usable note.
    NoteBroken = 202, "the image does not say what it is";
    /// The image's note contradicts the manifest or the board.
    NoteOther = 203, "the image is not what its manifest says";
    /// What was fetched or carried in the manifest could not be put into place; detail: offset of
    /// the command.
    WriteFailed = 204, "what it brings could not be put into place";
    /// What it should start did not start; detail: offset of the command.
    InvokeFailed = 205, "what it starts did not start";
    /// The bundle could not be opened with this node's key.
    SealWrong = 300, "the bundle is not sealed to this node";
    /// The bundle is not what it should be; detail: byte offset.
    BundleBroken = 301, "the bundle is damaged";
    /// The bundle breaks a rule that the node itself keeps; detail: number of the rule.
    BundleRule = 302, "the bundle breaks a safety rule";
    /// After the change the two chips would not understand each other.
    PairWouldBreak = 310, "the two chips would not understand each other afterwards";
    /// The trust anchors are not what they should be; detail: byte offset.
    KeysBroken = 320, "the set of keys is damaged";
    /// The other chip did not shake hands in the trial.
    NoHandshake = 400, "the two chips did not shake hands";
    /// Sensor readings were not plausible in the trial.
    SensorsImplausible = 401, "the sensors gave no plausible readings";
    /// The door's position was reported differently than before the change.
    PositionDiffers = 402, "it reported another door position than before, though the door had not moved";
    /// No network was joined in the trial.
    NoNetwork = 403, "it did not join the network";
    /// No authenticated check-in succeeded in the trial.
    NoCheckIn = 404, "it did not complete a check-in";
    /// The node kept resetting; detail: starts counted.
    Resets = 405, "it kept resetting";
    /// The candidate network is not on the air.
    NetworkNotFound = 410, "the new network is not on the air here";
    /// The candidate network refused the passphrase.
    WrongPassphrase = 411, "the new network refused the passphrase";
    /// The candidate network gave no address.
    NoAddress = 412, "the new network gave no address";
    /// No authenticated reply came through the candidate network.
    NoServer = 413, "the server was not reached through the new network";
    /// Flash did not take what was written; detail: address.
    FlashWorn = 500, "the flash did not take what was written";
    /// The io chip did not take its image over the link; detail: bytes taken.
    LinkFailed = 501, "the io chip did not take its image";
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.sentence())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_read_back_and_are_all_different() {
        for (n, r) in Reason::ALL.iter().enumerate() {
            assert_eq!(Reason::from_code(r.code()), Some(*r));
            assert!(!Reason::ALL[..n].iter().any(|o| o.code() == r.code() || o.sentence() == r.sentence()));
        }
    }
}
