//! What of SUIT a node carries out. The processor understands more: for others, and for reports.

use crate::suit::{Capabilities, Command, Parameter};

/// What a node carries out, as its capability report says it.
///
/// Not in it: copying and comparing content, since there is nothing to copy from; starting by manifest,
/// since the boot record decides what starts; use-before, since there is no clock that can be trusted;
/// update-authorized, since whether somebody has to agree is the door's own setting, and is asked when it is applied.
pub const CAPABILITIES: Capabilities<'static> = Capabilities {
    components: &[b"net", b"io", b"conf", b"keys"],
    commands: &[
        Command::VendorIdentifier,
        Command::ClassIdentifier,
        Command::ImageMatch,
        Command::ComponentSlot,
        Command::SetComponentIndex,
        Command::Abort,
        Command::TryEach,
        Command::Write,
        Command::OverrideParameters,
        Command::Fetch,
        Command::DeviceIdentifier,
        Command::Version,
    ],
    parameters: &[
        Parameter::VendorIdentifier,
        Parameter::ClassIdentifier,
        Parameter::ImageDigest,
        Parameter::ComponentSlot,
        Parameter::ImageSize,
        Parameter::Content,
        Parameter::EncryptionInfo,
        Parameter::Uri,
        Parameter::DeviceIdentifier,
        Parameter::Version,
        Parameter::LinkRange,
        Parameter::ActuationProfile,
    ],
};

#[cfg(test)]
mod tests {
    use super::super::take::cannot;
    use super::*;
    use crate::id::Chip;
    use crate::suit::{NODE_COMPONENTS, read_capabilities};
    use std::vec::Vec;

    #[test]
    fn it_lists_what_is_understood_and_not_refused_for_every_part() {
        let refused = |c: &Command| NODE_COMPONENTS.iter().all(|part| cannot(*part).contains(c));
        // No update runs the section in which it may stand.
        let never = [Command::Invoke];
        let listed: Vec<_> =
            Command::ALL.iter().copied().filter(|c| !refused(c) && !never.contains(c)).collect();
        assert_eq!(CAPABILITIES.commands, listed);
        // Each parameter belongs to a command that is listed, or to none.
        let without = [Parameter::UseBefore, Parameter::SourceComponent, Parameter::UpdatePriority];
        let listed: Vec<_> = Parameter::ALL.iter().copied().filter(|p| !without.contains(p)).collect();
        assert_eq!(CAPABILITIES.parameters, listed);
        let names: Vec<_> = NODE_COMPONENTS.iter().map(|c| c.word().as_bytes()).collect();
        assert_eq!(CAPABILITIES.components, names);
        assert_eq!(Chip::ALL.len(), 2, "both chips are among them");
    }

    #[test]
    fn it_is_read_back() {
        let mut out = [0; 96];
        let len = CAPABILITIES.write(&mut out).unwrap();
        assert_eq!(read_capabilities(&out[..len]).unwrap().missing_algorithms().count(), 0);
        for cut in 0..len {
            assert!(read_capabilities(&out[..cut]).is_err(), "cut at {cut}");
        }
        assert_eq!(CAPABILITIES.write(&mut out[..len - 1]), Err(len));
    }
}
