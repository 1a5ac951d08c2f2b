"""Sets: how long they take, who is waited for, what becomes of members without partners, what the feed should be."""
