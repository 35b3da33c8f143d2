"""How a foreign table becomes samples: text, layout, columns, units, times, carried values; `importers` joins them."""
