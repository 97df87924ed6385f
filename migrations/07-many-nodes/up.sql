-- With many nodes neither looking for a name nor for a node whose history is to be thinned out may
-- read all of them.

CREATE INDEX node_name ON node (name);
CREATE INDEX node_thinned ON node (thinned_until);
