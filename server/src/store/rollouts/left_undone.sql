SELECT ended.id FROM target AS mine
JOIN rollout AS ended ON ended.id = mine.rollout
JOIN node ON node.id = mine.node
WHERE mine.node = :node
    AND ended.started_at IS NOT NULL AND ended.ended_at IS NOT NULL AND ended.ended_at >= node.admitted_at
    -- Whether anything was to be returned, its steps tell.
    AND CASE ended.state
        WHEN 'done' THEN mine.forward IS NOT 'kept'
        WHEN 'turned back' THEN mine.back IS NOT 'done'
        ELSE 0 END
    AND EXISTS (
        SELECT 1 FROM step JOIN envelope_part AS part USING (envelope)
        WHERE step.rollout = mine.rollout AND step.wave = mine.wave AND step.place = mine.place
            AND NOT EXISTS (
                SELECT 1 FROM target AS later
                JOIN rollout ON rollout.id = later.rollout
                JOIN step USING (rollout, wave, place)
                JOIN envelope_part USING (envelope)
                WHERE later.node = mine.node AND later.way = 'forward' AND later.forward = 'kept'
                    AND (rollout.started_at, rollout.id) > (ended.started_at, ended.id)
                    AND envelope_part.component = part.component))
ORDER BY ended.started_at, ended.id
