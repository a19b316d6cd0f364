-- The 95 % interval of the energy of a transmission; not known of those stored before.
ALTER TABLE transmissions ADD COLUMN energy_low_j REAL;
ALTER TABLE transmissions ADD COLUMN energy_high_j REAL;
