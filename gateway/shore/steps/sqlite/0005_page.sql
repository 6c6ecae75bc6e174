-- For the fleet's page: what a trend has besides, from now on, and port stays that a planner has typed.

ALTER TABLE trend ADD COLUMN spring_mm real;
ALTER TABLE trend ADD COLUMN lost_motion_deg real;

CREATE TABLE port_stay (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    vessel          text NOT NULL,
    port            text NOT NULL,
    from_day        text NOT NULL,
    to_day          text NOT NULL,
    actor           text NOT NULL,
    made_at         text NOT NULL
);
