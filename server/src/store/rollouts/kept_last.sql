-- For each part of the node the rollout that changed it last, where the node kept that and it has not been returned.
SELECT id, component FROM (
    SELECT rollout.id, part.component, rollout.state, mine.way, mine.forward, mine.by_hand,
        row_number() OVER (
            PARTITION BY part.component ORDER BY rollout.started_at DESC, rollout.id DESC) AS nth
    FROM target AS mine
    JOIN rollout ON rollout.id = mine.rollout
    JOIN step USING (rollout, wave, place)
    JOIN envelope_part AS part USING (envelope)
    WHERE mine.node = :node AND mine.since IS NOT NULL AND rollout.started_at IS NOT NULL)
WHERE nth = 1 AND way = 'forward' AND forward = 'kept' AND (state = 'done' OR by_hand)
ORDER BY id, component
