-- One row per stretch of a lane's time that began before the window's end: its line and cause, day by day.
select
    lane,
    start_us,
    end_us,
    line,
    cause
from intervals
where end_us > start_us and start_us < $to_us
