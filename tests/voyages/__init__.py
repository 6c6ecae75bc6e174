"""Voyages: ship, engine, drive, head, link, disk, broker, clock and crew, all from one seed and in virtual time.

What runs is the product's own daemon: pipeline, alarms, wear, store, writer, encoders, broker link. What is simulated
is everything around it: the head (`firmware_sim`, which shares nothing with the gateway), the disk's refusals and power
cuts (`disk`), the broker (`broker`), all clocks (`clock`) and the crew (`sail`). The oracles (`oracles`) read only what
came ashore and what the simulation knows to be true.
"""
