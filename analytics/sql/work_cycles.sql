-- One row per cycle of a lane that ended in the days, in order of lane and time.
select
    lane,
    station,
    nest,
    part,
    product,
    start_us,
    end_us,
    paired,
    planned_us,
    file,
    line,
    start_file,
    start_line
from cycles
order by lane, start_us, end_us
