-- One row per lane and step: how much later its end could have been without the cell being later.
with

ends as (
    select * from slack
    where at_us >= $from_us and at_us < $to_us
)

select
    lane                                        as lane,
    step                                        as step,
    count(*)                                    as ends_n,
    median(us)::bigint                          as length_median_us,
    count(*) filter (where slack_us = 0) / count(*) as gating_share,
    quantile_cont(slack_us, 0.1)::bigint        as slack_p10_us,
    median(slack_us)::bigint                    as slack_median_us,
    quantile_cont(slack_us, 0.9)::bigint        as slack_p90_us
from ends
group by lane, step
order by slack_median_us, slack_p10_us, lane, step
