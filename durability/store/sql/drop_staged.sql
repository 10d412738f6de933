DELETE FROM staged WHERE staged_order IN (SELECT unnest($left_out::BIGINT[]))
