-- One row per stop of a lane that overlaps the window, and one per planned stop of the cell (lane null).
select
    lane                               as lane,
    start_us                           as start_us,
    end_us                             as end_us,
    line                               as line,
    end_us - start_us                  as us
from stops
where start_us < $to_us and end_us > $from_us
union all
select
    null                               as lane,
    start_us                           as start_us,
    end_us                             as end_us,
    case when plan_cause = 'break' then 'break' else 'maintenance' end as line,
    end_us - start_us                  as us
from plan
where lane = '*' and plan = 'planned_stop' and start_us < $to_us and end_us > $from_us
order by start_us, end_us, lane, line
