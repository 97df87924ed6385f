-- A node's check-in stays with its signature, so that whoever knows the node's key need not believe the server what
-- the node said. Absent for check-ins that came before this step.
ALTER TABLE node ADD COLUMN signature BLOB CHECK (length(signature) = 64);

-- Check-ins in a row, since the node kept, in which its io chip said nothing that counts; absent before it was heard.
ALTER TABLE target ADD COLUMN mute INTEGER CHECK (mute BETWEEN 0 AND 3);
