-- With many nodes nothing may read all of them: not looking for a name, not looking for a node whose
-- history is to be thinned out, not finding out at a start when anybody was last heard.

CREATE INDEX node_name ON node (name);
CREATE INDEX node_thinned ON node (thinned_until);

-- One row: when the last check-in of any node was taken.
CREATE TABLE heard (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    at  INTEGER NOT NULL
) STRICT;
INSERT INTO heard (one, at) SELECT 1, coalesce(max(last_seen), 0) FROM node;
