"""Record and judgement for the durability of protective cases and of the devices inside them."""
