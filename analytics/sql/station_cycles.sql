-- One row per key, outcome and cause: cycles of the chosen lanes that ended in planned busy time within the window.
-- A cycle that ends at the very end of the window was done inside it. A row may stand for n cycles, see analytics/sums.py.
with

done as (
    select * from cycles
),

busy as (
    select * from plan
    where plan = 'busy'
),

spans as (
    select * from windows
)

select
    spans.key                                              as key,
    coalesce(done.outcome, 'inside')                       as outcome,
    coalesce(done.rework, false)                           as rework,
    case
        when done.outcome = 'reject' then coalesce(done.outcome_cause, 'cause not logged')
    end                                                    as cause,
    sum(done.n)::bigint                                    as cycles_n
from done
inner join spans on done.end_us > spans.from_us and done.end_us <= spans.to_us
asof join busy on done.lane = busy.lane and done.end_us > busy.start_us -- spans of a lane do not overlap
where list_contains($lanes, done.lane) and done.end_us <= busy.end_us
group by spans.key, done.outcome, done.rework, done.outcome_cause
order by key, outcome, rework, cause
