-- One row per stop that began in the days, in order of time.
select
    station,
    nest,
    lane,
    start_us,
    end_us,
    line,
    cause,
    text,
    alarm,
    product,
    log_file,
    log_line,
    log_end_file,
    log_end_line
from stops
order by start_us, lane
