"""The trade's arithmetic: board feet, species, moisture, movement, weight, flattening, cost.

No pixels: nothing here imports an image library. Every function takes plain floats or
:class:`~slabvision.estimate.Estimate` and says in its docstring which published table or rule it
follows; a value from memory is marked in the data and in every answer that used it.
"""
