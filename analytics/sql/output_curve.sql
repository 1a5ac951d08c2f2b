-- One row per minute of the window and line: parts so far on each line of the cell's account.
with

minutes as (
    select
        start_us,
        least(start_us + $step_us, $to_us) as end_us
    from (select unnest(generate_series($from_us::bigint, $to_us::bigint - 1, $step_us::bigint)) as start_us)
),

booked as (
    select
        line,
        start_us,
        end_us,
        us,
        unit_us
    from ledger
    where lane = '*' and plan = 'busy' and start_us < $to_us and end_us >= $from_us
),

-- A piece gives each minute that it reaches over its share; a row of no length stands in its minute.
per_minute as (
    select
        minutes.end_us                                                                               as until_us,
        booked.line                                                                                  as line,
        sum(
            case
                when booked.start_us = booked.end_us then booked.us
                else least(booked.end_us, minutes.end_us) - greatest(booked.start_us, minutes.start_us)
            end::double / booked.unit_us
        )                                                                                            as parts
    from booked
    inner join minutes
        on
            booked.start_us < minutes.end_us
            and (
                booked.end_us > minutes.start_us
                or (booked.start_us = booked.end_us and booked.start_us >= minutes.start_us)
            )
    group by minutes.end_us, booked.line
),

instants as (
    select $from_us::bigint as us
    union all
    select end_us from minutes
),

grid as (
    select
        instants.us,
        lines.line
    from instants
    cross join (select distinct line from per_minute) as lines
)

select
    grid.us                                                                       as us,
    grid.line                                                                     as line,
    sum(coalesce(per_minute.parts, 0)) over (
        partition by grid.line
        order by grid.us
    )                                                                             as parts
from grid
left join per_minute on grid.us = per_minute.until_us and grid.line = per_minute.line
order by us, line
