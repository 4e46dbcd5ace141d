package storage

const homeInsertSQL = `
INSERT INTO home (program_id, id, version, void,
    section_count, joist_direction, furnace_kind, furnace_position_ft, furnace_access, wrap_kind, floor_area_ft2,
    elevation_ft, year_built, park)
SELECT @program_id, f.id, f.version, f.void,
    f.section_count, f.joist_direction, f.furnace_kind, f.furnace_position_ft, f.furnace_access, f.wrap_kind,
    f.floor_area_ft2, f.elevation_ft, f.year_built, f.park
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    section_count integer, joist_direction text, furnace_kind text, furnace_position_ft numeric,
    furnace_access text, wrap_kind text, floor_area_ft2 numeric, elevation_ft numeric, year_built integer,
        park text)`

const homeUpsertSQL = homeInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    section_count = excluded.section_count, joist_direction = excluded.joist_direction,
    furnace_kind = excluded.furnace_kind, furnace_position_ft = excluded.furnace_position_ft,
    furnace_access = excluded.furnace_access, wrap_kind = excluded.wrap_kind,
    floor_area_ft2 = excluded.floor_area_ft2, elevation_ft = excluded.elevation_ft,
    year_built = excluded.year_built, park = excluded.park
WHERE home.version < excluded.version`
