SELECT count(nextval($sequence)) FROM range($last)
