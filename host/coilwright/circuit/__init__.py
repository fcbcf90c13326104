"""The circuit model: pure functions and frozen dataclasses, no input or output.

`driver` holds the parts of one driver and its receivers, `steady_state` solves the switched circuit
for its exact periodic steady state.
"""
