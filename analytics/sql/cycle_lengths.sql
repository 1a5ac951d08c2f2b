-- One row per cycle of a lane that ended in the days, without its part and its records, in order of lane and time.
select
    lane,
    station,
    product,
    start_us,
    end_us,
    paired,
    planned_us
from cycles
order by lane, start_us, end_us
