-- One row per stretch of a lane's time in which it did not work: whether it waited for others, else its work was disturbed.
select
    lane,
    start_us,
    end_us,
    list_contains($waits, line)  as waits
from intervals
where end_us > start_us and line <> 'run'
