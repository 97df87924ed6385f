-- A node's check-in stays with its signature, so that whoever knows the node's key need not believe the server what
-- the node said. Absent for check-ins that came before this step.
ALTER TABLE node ADD COLUMN signature BLOB CHECK (length(signature) = 64);
