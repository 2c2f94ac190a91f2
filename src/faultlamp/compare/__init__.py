"""Two recordings of one machine, one before a repair and one after it: which faults went, stayed and came."""
