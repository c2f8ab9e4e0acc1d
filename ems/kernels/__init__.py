"""All compiled code: arrays in, arrays out. Imports nothing of ems outside this folder.

Letters, inside kernels only: P terminal power of the battery [W], p its electrochemical power [W], e stored energy [J],
x resistance over open-circuit voltage squared [1/W], w speeds [rad/s], T torques [N m], f free engine speed [rad/s],
k interval, n node, t table (configuration and lane), u distinct demand, i battery node, j frontier point.
"""
