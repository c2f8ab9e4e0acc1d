"""What a layout does at one choice: torque maps, arrays for the kernels, trace with its audit, mode labels."""
