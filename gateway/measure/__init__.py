"""Floor 1: from samples to revolutions to a reading. numpy on whole blocks, exact integers wherever sums are made."""
