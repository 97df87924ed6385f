-- The server keeps a time of its own, which no setting of the machine's clock moves: every moment
-- in this database is in that time, but for those of the journal, of tokens and of the clock's own
-- rows. Before this step both were the same.
CREATE TABLE clock_step (
    -- From this moment of the server's own time on ...
    at    INTEGER PRIMARY KEY,
    -- ... the machine's clock has shown so many seconds more.
    ahead INTEGER NOT NULL
) STRICT;
