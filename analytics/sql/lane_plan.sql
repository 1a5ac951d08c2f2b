-- One row per stretch of a lane's time: whether it was planned busy time, in order of lane and time.
select
    lane,
    start_us,
    end_us,
    plan
from plan
where end_us > start_us
order by lane, start_us
