DROP TABLE inspection_draw, inspection, waiver, review, photo, measurement, energy_isolation,
    repair, opening, crossover, component, visit, call_back, job;
