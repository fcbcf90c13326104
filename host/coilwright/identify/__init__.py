"""The parts as built, found from records of a driver: fit of the circuit, intervals, build file."""
