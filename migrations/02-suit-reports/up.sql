-- The last SUIT_Report of each node. A node sends it until a check-in with it is answered, and the
-- check-in after that no longer carries it; so that a refusal can still be explained then, it is
-- kept beside the last check-in.
CREATE TABLE suit_report (
    node   BLOB PRIMARY KEY REFERENCES node (id),
    -- CBOR, as received inside the signed check-in.
    report BLOB NOT NULL CHECK (length(report) BETWEEN 1 AND 256),
    at     INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
