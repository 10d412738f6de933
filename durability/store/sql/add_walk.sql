INSERT INTO inspection_walk (inspection_id, is_blind, functions, entry_id)
VALUES ($inspection_id, $is_blind, $functions, $entry_id)
