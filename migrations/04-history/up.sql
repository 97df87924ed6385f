-- What nodes said over the years: every check-in of the last 90 days, the last one of each day
-- before that. Supply, signal and restarts tell of an ageing board long before it fails.

CREATE TABLE history (
    node           BLOB NOT NULL REFERENCES node (id),
    at             INTEGER NOT NULL,
    position       TEXT NOT NULL CHECK (position IN ('unknown', 'open', 'partly open', 'closed')),
    -- One bit for each reason to wait, as on the wire.
    holds          INTEGER NOT NULL,
    -- dBm; -128 while no network was joined.
    rssi_dbm       INTEGER NOT NULL,
    -- Lowest since the check-in before, in mV.
    supply_mv      INTEGER NOT NULL,
    -- Starts of the board so far, and seconds since the last.
    starts         INTEGER NOT NULL,
    uptime_seconds INTEGER NOT NULL,
    relay_pulses   INTEGER NOT NULL,
    -- Versions that ran, major.minor.patch; no io while it did not answer.
    net            TEXT NOT NULL,
    io             TEXT,
    PRIMARY KEY (node, at)
) STRICT, WITHOUT ROWID;

-- Before this moment nothing is left to thin out.
ALTER TABLE node ADD COLUMN thinned_until INTEGER NOT NULL DEFAULT 0;
