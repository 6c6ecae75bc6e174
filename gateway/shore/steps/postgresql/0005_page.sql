-- For the fleet's page: what a trend has besides, from now on, and port stays that a planner has typed.

ALTER TABLE trend ADD COLUMN spring_mm double precision;
ALTER TABLE trend ADD COLUMN lost_motion_deg double precision;

CREATE TABLE port_stay (
    id              bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    vessel          text NOT NULL,
    port            text NOT NULL,
    from_day        date NOT NULL,
    to_day          date NOT NULL,
    actor           text NOT NULL,
    made_at         timestamptz NOT NULL
);
