-- One row per cycle (step null) or step that is asked for by its lane, step, start and end: nest and log lines of it.
with

records as (
    select
        lane,
        null::varchar  as step,
        nest,
        start_us,
        end_us,
        start_file,
        start_line,
        file,
        line
    from cycles
    union all
    select
        lane,
        step,
        nest,
        start_us,
        end_us,
        null           as start_file,
        null           as start_line,
        file,
        line
    from steps
)

select records.*
from records
semi join asked
    on
        records.lane = asked.lane
        and records.start_us = asked.start_us
        and records.end_us = asked.end_us
        and records.step is not distinct from asked.step
order by lane, step, start_us, end_us, file, line
