-- Mean temperature of the coupler, from pairs that carry it; NULL: not known.
ALTER TABLE transmissions ADD COLUMN coupler_temperature_c REAL;
