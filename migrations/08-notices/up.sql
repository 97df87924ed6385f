-- People are told of what needs them, by a webhook or by mail. What was seen stands here, so that nobody is told
-- twice, and what could not be sent before a restart is sent after it.
CREATE TABLE notice (
    id       INTEGER PRIMARY KEY,
    kind     TEXT NOT NULL,
    -- What it is about: a rollout's number, a node's identifier in hexadecimal, the name of a certificate.
    subject  TEXT NOT NULL,
    sentence TEXT NOT NULL,
    -- When it was seen first.
    at       INTEGER NOT NULL,
    -- When it was over; absent as long as it lasts.
    over_at  INTEGER,
    -- By each way: not asked for, waits to be sent, or was taken by whoever it was sent to.
    webhook  TEXT NOT NULL CHECK (webhook IN ('none', 'waits', 'sent')),
    mail     TEXT NOT NULL CHECK (mail IN ('none', 'waits', 'sent'))
) STRICT;

-- Nothing lasts twice at the same time.
CREATE UNIQUE INDEX notice_lasting ON notice (kind, subject) WHERE over_at IS NULL;
CREATE INDEX notice_waiting ON notice (id) WHERE webhook = 'waits' OR mail = 'waits';
