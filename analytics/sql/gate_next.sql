-- One row per gate (station, step) and the one that would have gated next: how often they met on the chain, how near they were.
with

met as (
    select * from meetings
    where at_us >= $from_us and at_us < $to_us
)

select
    lane                                        as lane,
    step                                        as step,
    rival_lane                                  as next_lane,
    rival_step                                  as next_step,
    count(*)                                    as meetings_n,
    quantile_cont(margin_us, 0.1)::bigint       as margin_p10_us,
    median(margin_us)::bigint                   as margin_median_us,
    count(*) filter (where tie)                 as near_ties_n
from met
group by lane, step, rival_lane, rival_step
order by meetings_n desc, lane, step, next_lane, next_step
