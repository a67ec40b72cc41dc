"""How torque lies in the revolution of the crank: angles, shapes, and vectors put together from packets.

Angles are degrees of a leg's own crank: 0 is crank up, 90 forward, growing as the crank turns forwards
(clockwise seen from the right). What is the sum of both legs goes by the left crank.
"""
