"""Training the context model of a pack: a recurrent network over the pack's own tokens.

Only jax and numpy are imported here, and the modules name each other relatively, so that a copy of this folder runs
by itself on a machine that has only those::

    python3 -m context_training DATA OUT --minutes 18

`DATA` is what `nearkey.packs.context_data` writes. Every batch is taken on the device from one resident
array. Learning falls linearly to nothing over the wall-clock budget, which the run therefore keeps.
"""
