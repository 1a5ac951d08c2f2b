-- One row per stretch of a lane's time in which it worked.
select
    lane,
    start_us,
    end_us
from intervals
where end_us > start_us and line = 'run'
