-- Tokens get names and roles, so that several people and programs can have their own, and one can
-- be ended without the others. Links and sessions belong to the token that made them and end with it.

CREATE TABLE named_token (
    id           INTEGER PRIMARY KEY,
    name         TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 40),
    role         TEXT NOT NULL CHECK (role IN ('operator', 'viewer')),
    -- SHA-256 of the token's text.
    hash         BLOB NOT NULL UNIQUE CHECK (length(hash) = 32),
    created_at   INTEGER NOT NULL,
    -- To within a minute or so.
    last_used_at INTEGER,
    revoked_at   INTEGER
) STRICT;
INSERT INTO named_token (name, role, hash, created_at, revoked_at)
    SELECT CASE WHEN revoked_at IS NULL THEN 'first' ELSE 'earlier' END, role, hash, created_at, revoked_at
    FROM token ORDER BY created_at, revoked_at IS NULL;
DROP TABLE token;
ALTER TABLE named_token RENAME TO token;
CREATE UNIQUE INDEX token_in_force ON token (name) WHERE revoked_at IS NULL;

CREATE TABLE owned_link (
    hash       BLOB PRIMARY KEY CHECK (length(hash) = 32),
    token      INTEGER NOT NULL REFERENCES token (id),
    expires_at INTEGER NOT NULL
) STRICT;
INSERT INTO owned_link (hash, token, expires_at)
    SELECT sign_in_link.hash, token.id, expires_at FROM sign_in_link, token WHERE token.revoked_at IS NULL;
DROP TABLE sign_in_link;
ALTER TABLE owned_link RENAME TO sign_in_link;
CREATE INDEX sign_in_link_token ON sign_in_link (token);

CREATE TABLE owned_session (
    hash       BLOB PRIMARY KEY CHECK (length(hash) = 32),
    token      INTEGER NOT NULL REFERENCES token (id),
    expires_at INTEGER NOT NULL
) STRICT;
INSERT INTO owned_session (hash, token, expires_at)
    SELECT session.hash, token.id, expires_at FROM session, token WHERE token.revoked_at IS NULL;
DROP TABLE session;
ALTER TABLE owned_session RENAME TO session;
CREATE INDEX session_token ON session (token);
