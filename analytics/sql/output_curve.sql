-- One row per minute of the window: planned and good parts so far, and parts lost so far to each line of the cell's account.
with

minutes as (
    select unnest(generate_series($from_us::bigint, $to_us::bigint, $step_us::bigint)) as until_us
),

busy as (
    select * from plan
    where plan = 'busy' and lane = '*'
),

booked as (
    select
        line,
        start_us,
        unit_us,
        case when start_us = end_us then us else end_us - start_us end as us,
        greatest(end_us, start_us)                                     as end_us
    from ledger
    where lane = '*' and plan = 'busy'
),

-- The ledger is booked by the minute in which a piece ends; pieces are seconds long, so a minute is near enough to draw.
per_minute as (
    select
        $from_us + ceil((least(end_us, $to_us) - $from_us)::double / $step_us)::bigint * $step_us as until_us,
        line,
        sum(
            case
                when start_us = end_us then us
                else least(end_us, $to_us) - greatest(start_us, $from_us)
            end::double / unit_us
        ) as parts
    from booked
    where
        (start_us < $to_us and end_us > $from_us)
        or (start_us = end_us and start_us >= $from_us and start_us < $to_us)
    group by all
),

lines as (
    select distinct line from per_minute
),

grid as (
    select
        minutes.until_us,
        lines.line
    from minutes
    cross join lines
)

select
    grid.until_us                                                                        as us,
    grid.line                                                                            as line,
    sum(coalesce(per_minute.parts, 0)) over (
        partition by grid.line
        order by grid.until_us
    )                                                                                    as parts
from grid
left join per_minute on grid.until_us = per_minute.until_us and grid.line = per_minute.line
order by us, line
