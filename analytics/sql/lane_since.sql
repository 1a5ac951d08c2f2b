-- One row per lane: since when something is told of its time.
select
    lane,
    min(start_us)  as since_us
from intervals
where end_us > start_us
group by lane
order by lane
