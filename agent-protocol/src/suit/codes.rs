//! The numbers of the manifest format that this project understands.
//!
//! Source: draft-ietf-suit-manifest-37, draft-ietf-suit-update-management-14 (4, 27, 28 and
//! set-version), draft-ietf-suit-firmware-encryption-24 (19), draft-ietf-suit-report-18 (reasons).

use core::fmt;

/// Envelope member: the authentication wrapper.
pub(crate) const WRAPPER: i64 = 2;
/// Envelope member: the manifest.
pub(crate) const MANIFEST: i64 = 3;
/// Member of envelope and manifest: text for people. Never read by a node.
pub(crate) const TEXT: i64 = 23;

/// A command sequence of a manifest, by its key.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Section {
    /// The shared sequence, run before every other. 3 in reports: the key of suit-common.
    Shared,
    /// Checks what is installed.
    Validate,
    /// Prepares it for running.
    Load,
    /// Starts it.
    Invoke,
    /// Gets payloads.
    PayloadFetch,
    /// Puts them into place.
    Install,
}

impl Section {
    /// All sections.
    pub const ALL: [Self; 6] =
        [Self::Shared, Self::Validate, Self::Load, Self::Invoke, Self::PayloadFetch, Self::Install];

    /// Those of an update, in the order in which they are carried out.
    pub const UPDATE: [Self; 3] = [Self::PayloadFetch, Self::Install, Self::Validate];

    /// The key in the manifest, and the number in reports.
    pub const fn number(self) -> u8 {
        match self {
            Self::Shared => 3,
            Self::Validate => 7,
            Self::Load => 8,
            Self::Invoke => 9,
            Self::PayloadFetch => 16,
            Self::Install => 20,
        }
    }

    /// Position in tables of sections.
    pub(crate) const fn index(self) -> usize {
        match self {
            Self::Shared => 0,
            Self::Validate => 1,
            Self::Load => 2,
            Self::Invoke => 3,
            Self::PayloadFetch => 4,
            Self::Install => 5,
        }
    }

    /// The word for people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Shared => "shared",
            Self::Validate => "validate",
            Self::Load => "load",
            Self::Invoke => "invoke",
            Self::PayloadFetch => "payload-fetch",
            Self::Install => "install",
        }
    }
}

impl fmt::Display for Section {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

macro_rules! numbered {
    ($(#[$doc:meta])* $name:ident: $number:ty { $($(#[$vdoc:meta])* $variant:ident = $code:literal, $word:literal;)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[non_exhaustive]
        pub enum $name {
            $($(#[$vdoc])* $variant,)*
        }

        impl $name {
            /// All of them.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];

            /// The number on the wire.
            pub const fn code(self) -> $number {
                match self { $(Self::$variant => $code,)* }
            }

            /// Reads the number.
            pub const fn from_code(code: $number) -> Option<Self> {
                match code { $($code => Some(Self::$variant),)* _ => None }
            }

            /// The name in the standard.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)* }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.word())
            }
        }
    };
}

numbered! {
    /// A command that is understood. Every other one refuses the whole manifest.
    Command: i64 {
        /// Compares the vendor identifier.
        VendorIdentifier = 1, "condition-vendor-identifier";
        /// Compares the class identifier.
        ClassIdentifier = 2, "condition-class-identifier";
        /// Compares digest and size of the component.
        ImageMatch = 3, "condition-image-match";
        /// Holds while the clock is before a time.
        UseBefore = 4, "condition-use-before";
        /// Compares the slot.
        ComponentSlot = 5, "condition-component-slot";
        /// Compares the component's content, byte for byte.
        CheckContent = 6, "condition-check-content";
        /// Chooses the components that the next commands are about.
        SetComponentIndex = 12, "directive-set-component-index";
        /// Never holds.
        Abort = 14, "condition-abort";
        /// Runs alternatives until one passes.
        TryEach = 15, "directive-try-each";
        /// Writes content from the manifest.
        Write = 18, "directive-write";
        /// Sets parameters.
        OverrideParameters = 20, "directive-override-parameters";
        /// Fetches a payload.
        Fetch = 21, "directive-fetch";
        /// Copies from another component.
        Copy = 22, "directive-copy";
        /// Starts the component.
        Invoke = 23, "directive-invoke";
        /// Compares the device identifier.
        DeviceIdentifier = 24, "condition-device-identifier";
        /// Asks whether the update is allowed now.
        UpdateAuthorized = 27, "condition-update-authorized";
        /// Compares the version that is installed.
        Version = 28, "condition-version";
    }
}

impl Command {
    /// Whether it only tests.
    pub const fn is_condition(self) -> bool {
        match self {
            Self::VendorIdentifier
            | Self::ClassIdentifier
            | Self::ImageMatch
            | Self::UseBefore
            | Self::ComponentSlot
            | Self::CheckContent
            | Self::Abort
            | Self::DeviceIdentifier
            | Self::UpdateAuthorized
            | Self::Version => true,
            Self::SetComponentIndex
            | Self::TryEach
            | Self::Write
            | Self::OverrideParameters
            | Self::Fetch
            | Self::Copy
            | Self::Invoke => false,
        }
    }
}

numbered! {
    /// A parameter that is understood. Every other one refuses the whole manifest.
    Parameter: i64 {
        /// 16 bytes.
        VendorIdentifier = 1, "vendor-identifier";
        /// 16 bytes.
        ClassIdentifier = 2, "class-identifier";
        /// SUIT_Digest, SHA-256.
        ImageDigest = 3, "image-digest";
        /// Seconds since 1970.
        UseBefore = 4, "use-before";
        /// Number of the slot.
        ComponentSlot = 5, "component-slot";
        /// Bytes.
        ImageSize = 14, "image-size";
        /// Bytes to be written or compared.
        Content = 18, "content";
        /// SUIT_Encryption_Info.
        EncryptionInfo = 19, "encryption-info";
        /// Where the payload is.
        Uri = 21, "uri";
        /// Index of the component to copy from.
        SourceComponent = 22, "source-component";
        /// 16 bytes.
        DeviceIdentifier = 24, "device-identifier";
        /// The smaller, the more urgent.
        UpdatePriority = 27, "update-priority";
        /// Comparison and numbers.
        Version = 28, "version";
        /// Ours: the link versions that the image speaks, `[oldest, newest]`.
        LinkRange = -257, "link-range";
        /// Ours: the actuation profile that the image implements, `[id, version]`.
        ActuationProfile = -258, "actuation-profile";
    }
}

numbered! {
    /// Why something was refused or failed, as SUIT_Report has it.
    ReportReason: u8 {
        /// All went well.
        Ok = 0, "ok";
        /// Not the accepted form of CBOR.
        CborParse = 1, "cbor-parse";
        /// A COSE structure that is not supported.
        CoseUnsupported = 2, "cose-unsupported";
        /// An algorithm that is not supported.
        AlgUnsupported = 3, "alg-unsupported";
        /// Not authenticated. Also for a digest that does not match: the standard lists no other.
        Unauthorised = 4, "unauthorised";
        /// A command that is not supported.
        CommandUnsupported = 5, "command-unsupported";
        /// A component that is not known.
        ComponentUnsupported = 6, "component-unsupported";
        /// The signer may not write the component.
        ComponentUnauthorised = 7, "component-unauthorised";
        /// A parameter that is not supported.
        ParameterUnsupported = 8, "parameter-unsupported";
        /// Severing is not supported, or a severed member is missing or another.
        SeveringUnsupported = 9, "severing-unsupported";
        /// A condition is not met.
        ConditionFailed = 10, "condition-failed";
        /// A directive failed.
        OperationFailed = 11, "operation-failed";
        /// Control was handed over; how it ends is not known yet.
        InvokePending = 12, "invoke-pending";
    }
}
