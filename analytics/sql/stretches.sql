-- One row per stretch of a lane on one line and cause, put together where one piece follows the other, across days too.
with

tiles as (
    select
        lane,
        start_us,
        end_us,
        line,
        cause,
        coalesce(
            lag(end_us) over before = start_us
            and lag(line) over before = line
            and lag(cause) over before is not distinct from cause,
            false
        ) as follows
    from intervals
    where end_us > start_us and start_us < $to_us
    window before as (partition by lane order by start_us)
),

numbered as (
    select
        tiles.*,
        sum(case when follows then 0 else 1 end) over (partition by lane order by start_us) as number
    from tiles
)

select
    lane                             as lane,
    min(start_us)                    as start_us,
    least(max(end_us), $to_us)       as end_us,
    any_value(line)                  as line,
    any_value(cause)                 as cause
from numbered
group by lane, number
order by lane, start_us
