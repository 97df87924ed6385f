-- The beginning: nodes and what they said, files by digest, rollouts, the journal, who may look.
-- Nothing here is a secret in clear: tokens and session cookies as SHA-256 only, claim codes
-- likewise, bundles encrypted end to end and kept as files.

-- One row: what the server knows about itself.
CREATE TABLE server (
    one             INTEGER PRIMARY KEY CHECK (one = 1),
    -- Written every minute, and when the server stops, so that a pause shows afterwards.
    alive_at        INTEGER NOT NULL,
    -- Silence of nodes counts from here at the earliest.
    listening_since INTEGER NOT NULL
) STRICT;

CREATE TABLE node (
    id           BLOB PRIMARY KEY CHECK (length(id) = 16),
    name         TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 40),
    class        BLOB NOT NULL CHECK (length(class) = 16),
    -- SHA-256 of the claim code on the starter card.
    code_digest  BLOB NOT NULL CHECK (length(code_digest) = 32),
    -- Whether claims are taken: from being announced until being admitted.
    expecting    INTEGER NOT NULL CHECK (expecting IN (0, 1)),
    -- Ed25519 and X25519, once admitted.
    signing_key  BLOB CHECK (length(signing_key) = 32),
    sealing_key  BLOB CHECK (length(sealing_key) = 32),
    announced_at INTEGER NOT NULL,
    admitted_at  INTEGER,
    retired_at   INTEGER,
    -- Of the last check-in taken; the next must be higher.
    counter      INTEGER CHECK (counter >= 0),
    last_seen    INTEGER,
    -- The last check-in, CBOR as received inside its signature.
    report       BLOB CHECK (length(report) <= 4096),
    CHECK ((signing_key IS NULL) = (sealing_key IS NULL)),
    CHECK ((signing_key IS NULL) = (admitted_at IS NULL)),
    CHECK ((report IS NULL) = (counter IS NULL) AND (report IS NULL) = (last_seen IS NULL))
) STRICT;

-- Claims that wait to be checked and admitted: the newest few of each node.
CREATE TABLE claim (
    node        BLOB NOT NULL REFERENCES node (id),
    signing_key BLOB NOT NULL CHECK (length(signing_key) = 32),
    body        BLOB NOT NULL CHECK (length(body) <= 4096),
    received_at INTEGER NOT NULL,
    PRIMARY KEY (node, signing_key)
) STRICT, WITHOUT ROWID;

-- What a node was seen to run, ever: chip images by their digest, bundles by their manifest digest.
CREATE TABLE seen (
    node      BLOB NOT NULL REFERENCES node (id),
    component TEXT NOT NULL CHECK (component IN ('net', 'io', 'conf')),
    digest    BLOB NOT NULL CHECK (length(digest) = 32),
    first_at  INTEGER NOT NULL,
    PRIMARY KEY (node, component, digest)
) STRICT, WITHOUT ROWID;

-- Files in payloads/, named by their SHA-256.
CREATE TABLE payload (
    digest    BLOB PRIMARY KEY CHECK (length(digest) = 32),
    size      INTEGER NOT NULL,
    stored_at INTEGER NOT NULL
) STRICT;

-- Files in envelopes/, named by their manifest digest.
CREATE TABLE envelope (
    digest    BLOB PRIMARY KEY CHECK (length(digest) = 32),
    size      INTEGER NOT NULL,
    role      TEXT NOT NULL CHECK (role IN ('root', 'image', 'bundle')),
    sequence  INTEGER NOT NULL CHECK (sequence >= 0),
    -- The one node that it is for, where the manifest names it.
    device    BLOB CHECK (length(device) = 16),
    stored_at INTEGER NOT NULL
) STRICT;

-- What an envelope brings.
CREATE TABLE envelope_part (
    envelope  BLOB NOT NULL REFERENCES envelope (digest),
    component TEXT NOT NULL CHECK (component IN ('net', 'io', 'conf', 'keys')),
    -- Digest of what the component will hold, where the manifest names it.
    payload   BLOB CHECK (length(payload) = 32),
    PRIMARY KEY (envelope, component)
) STRICT, WITHOUT ROWID;

CREATE TABLE rollout (
    id           INTEGER PRIMARY KEY,
    title        TEXT NOT NULL,
    kind         TEXT NOT NULL CHECK (kind IN ('image', 'bundle', 'wifi', 'keys')),
    on_failure   TEXT NOT NULL CHECK (on_failure IN ('hold', 'turn_back')),
    state        TEXT NOT NULL CHECK (state IN ('ready', 'under way', 'held', 'done', 'turned back')),
    held_because TEXT,
    created_at   INTEGER NOT NULL,
    started_at   INTEGER,
    ended_at     INTEGER
) STRICT;
-- The rollouts that something may still happen to.
CREATE INDEX rollout_active ON rollout (started_at, id)
    WHERE state IN ('under way', 'held') OR (state = 'turned back' AND ended_at IS NULL);

CREATE TABLE wave (
    rollout              INTEGER NOT NULL REFERENCES rollout (id),
    -- From 0.
    number               INTEGER NOT NULL,
    soak_seconds         INTEGER NOT NULL,
    max_failed           INTEGER NOT NULL,
    max_silent           INTEGER NOT NULL,
    silent_after_seconds INTEGER NOT NULL,
    state                TEXT NOT NULL CHECK (state IN ('not open', 'open', 'soaking', 'passed', 'failed')),
    opened_at            INTEGER,
    soak_from            INTEGER,
    PRIMARY KEY (rollout, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE target (
    rollout        INTEGER NOT NULL,
    wave           INTEGER NOT NULL,
    -- From 0, in the order planned.
    place          INTEGER NOT NULL,
    node           BLOB NOT NULL REFERENCES node (id),
    stage          TEXT NOT NULL
        CHECK (stage IN ('waiting', 'offered', 'fetching', 'door', 'trial', 'ended', 'retired')),
    way            TEXT NOT NULL CHECK (way IN ('forward', 'back')),
    -- From 0.
    step           INTEGER NOT NULL,
    since          INTEGER,
    -- How the way forward ended, and by which reason and detail it failed.
    forward        TEXT CHECK (forward IN ('kept', 'went back', 'refused')),
    forward_reason INTEGER,
    forward_detail INTEGER,
    -- How the return ended.
    back           TEXT CHECK (back IN ('done', 'went back', 'refused', 'no way back')),
    back_reason    INTEGER,
    back_detail    INTEGER,
    forgiven       INTEGER NOT NULL CHECK (forgiven IN (0, 1)),
    PRIMARY KEY (rollout, wave, place),
    UNIQUE (rollout, node),
    FOREIGN KEY (rollout, wave) REFERENCES wave (rollout, number)
) STRICT, WITHOUT ROWID;
CREATE INDEX target_node ON target (node);

CREATE TABLE step (
    rollout  INTEGER NOT NULL,
    wave     INTEGER NOT NULL,
    place    INTEGER NOT NULL,
    -- From 0.
    number   INTEGER NOT NULL,
    envelope BLOB NOT NULL REFERENCES envelope (digest),
    way_back BLOB REFERENCES envelope (digest),
    PRIMARY KEY (rollout, wave, place, number),
    FOREIGN KEY (rollout, wave, place) REFERENCES target (rollout, wave, place)
) STRICT, WITHOUT ROWID;
CREATE INDEX step_envelope ON step (envelope);
CREATE INDEX step_way_back ON step (way_back);

-- How every update ended on every node, as it said. What it once refused or went back from is
-- never offered to it again.
CREATE TABLE outcome (
    node     BLOB NOT NULL REFERENCES node (id),
    envelope BLOB NOT NULL CHECK (length(envelope) = 32),
    ending   TEXT NOT NULL CHECK (ending IN ('kept', 'went back', 'refused')),
    reason   INTEGER NOT NULL,
    detail   INTEGER NOT NULL,
    at       INTEGER NOT NULL,
    PRIMARY KEY (node, envelope)
) STRICT, WITHOUT ROWID;

-- Append-only; how the hash is made stands in the server's `journal` module.
CREATE TABLE journal (
    number   INTEGER PRIMARY KEY,
    at       INTEGER NOT NULL,
    event    TEXT NOT NULL,
    sentence TEXT NOT NULL,
    -- No foreign keys: an entry outlives what it is about.
    node     BLOB CHECK (length(node) = 16),
    rollout  INTEGER,
    hash     BLOB NOT NULL CHECK (length(hash) = 32)
) STRICT;
CREATE TRIGGER journal_is_not_changed BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER journal_is_not_cut BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;

-- Bearer tokens of the operator's API, as SHA-256.
CREATE TABLE token (
    hash       BLOB PRIMARY KEY CHECK (length(hash) = 32),
    role       TEXT NOT NULL CHECK (role IN ('operator')),
    created_at INTEGER NOT NULL,
    revoked_at INTEGER
) STRICT;

-- Links that sign a browser in, once, and the sessions they began; secrets as SHA-256.
CREATE TABLE sign_in_link (
    hash       BLOB PRIMARY KEY CHECK (length(hash) = 32),
    expires_at INTEGER NOT NULL
) STRICT;
CREATE TABLE session (
    hash       BLOB PRIMARY KEY CHECK (length(hash) = 32),
    expires_at INTEGER NOT NULL
) STRICT;
