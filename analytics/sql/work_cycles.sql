-- One row per cycle of a lane that ended in the days, without its part and its records, in the order of the facts.
select
    lane,
    station,
    product,
    start_us,
    end_us,
    paired,
    planned_us
from cycles
