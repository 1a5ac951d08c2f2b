-- One row per stretch of a lane's time: what claimed it, in order of lane and time.
select
    lane,
    start_us,
    end_us,
    line
from intervals
where end_us > start_us
order by lane, start_us
