-- The follow-up plan of every device that was given none stands here and nowhere else.

-- Every plan as it stands today: the usual one, which is no row of follow_up_plan, and the lab's
-- own, each with the functions of the check list that it goes through.
CREATE VIEW plans_today AS
WITH made AS (
    SELECT
        'half a year and a year' AS name, 'last drop' AS anchor,
        ['before the first drop', 'drop day', '1 week', '2 weeks', '4 weeks', '8 weeks',
            '13 weeks', '26 weeks', '52 weeks'] AS stage_names,
        -- Before the first drop is -1.
        [-1, 0, 7, 14, 28, 56, 91, 182, 364] AS stage_days,
        -- Those of the ready check list "handheld device".
        ['power-on', 'charging', 'battery swelling', 'display', 'touch', 'buttons', 'microphone',
            'loudspeaker', 'camera focus', 'camera stabiliser', 'radios', 'sensors',
            'ingress seal'] AS functions,
        true AS is_usual
    UNION ALL
    SELECT name, anchor, stage_names, stage_days, functions, false FROM follow_up_plan
)
SELECT
    m.name, m.anchor, m.stage_names, m.stage_days, coalesce(l.functions, m.functions) AS functions,
    m.is_usual
FROM made AS m
LEFT JOIN plan_check_lists AS l ON l.plan = m.name;
