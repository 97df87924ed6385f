-- More care between waves: evidence besides time, approval by a person, limits to waiting and
-- health in the gate, and hours outside of which nothing new is offered.

-- JSON as in the operator's contract; NULL: at any time.
ALTER TABLE rollout ADD COLUMN windows TEXT;

ALTER TABLE wave ADD COLUMN min_check_ins INTEGER NOT NULL DEFAULT 0;
ALTER TABLE wave ADD COLUMN min_door_cycles INTEGER NOT NULL DEFAULT 0;
ALTER TABLE wave ADD COLUMN approval INTEGER NOT NULL DEFAULT 0 CHECK (approval IN (0, 1));
-- NULL: any number.
ALTER TABLE wave ADD COLUMN max_waiting INTEGER;
ALTER TABLE wave ADD COLUMN waiting_after_seconds INTEGER NOT NULL DEFAULT 86400;
ALTER TABLE wave ADD COLUMN max_unwell INTEGER NOT NULL DEFAULT 0;
-- NULL: no limit.
ALTER TABLE wave ADD COLUMN max_restarts INTEGER;
ALTER TABLE wave ADD COLUMN min_signal_dbm INTEGER;
-- When approval was first waited for, and when it was given. A wave that waits for approval is
-- `not open`.
ALTER TABLE wave ADD COLUMN asked_at INTEGER;
ALTER TABLE wave ADD COLUMN approved_at INTEGER;

-- A wait for the door, or ill health, that a person went on in spite of counts from here.
ALTER TABLE target ADD COLUMN excused_at INTEGER;
-- What was seen since the node kept. The first two count no further than the wave asks for.
ALTER TABLE target ADD COLUMN check_ins INTEGER NOT NULL DEFAULT 0;
ALTER TABLE target ADD COLUMN door_cycles INTEGER NOT NULL DEFAULT 0;
ALTER TABLE target ADD COLUMN door TEXT NOT NULL DEFAULT 'unseen' CHECK (door IN ('unseen', 'closed', 'away'));
-- Starts of its board as last reported.
ALTER TABLE target ADD COLUMN starts INTEGER;
ALTER TABLE target ADD COLUMN restarts INTEGER NOT NULL DEFAULT 0;
-- Check-ins in a row with too weak a signal.
ALTER TABLE target ADD COLUMN weak INTEGER NOT NULL DEFAULT 0;
ALTER TABLE target ADD COLUMN by_hand INTEGER NOT NULL DEFAULT 0 CHECK (by_hand IN (0, 1));

-- Nodes that have still to end: whether there are any is asked at every end of one.
CREATE INDEX target_walking ON target (rollout, wave) WHERE stage NOT IN ('ended', 'retired');
