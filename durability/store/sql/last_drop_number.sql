SELECT coalesce(max(drop_number), 0) FROM drops WHERE series_id = $series_id
