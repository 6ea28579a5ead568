"""The parts on the wires: catalogue facts, drivers, and twins that decode the same bytes."""
