-- One row per key and plan class: time of the chosen lanes within the window.
with

spans as (
    select * from windows
)

select
    spans.key                                                                            as key,
    plan.plan                                                                            as plan,
    plan.plan_cause                                                                      as cause,
    sum(least(plan.end_us, spans.to_us) - greatest(plan.start_us, spans.from_us))::bigint as us
from plan
inner join spans on plan.start_us < spans.to_us and plan.end_us > spans.from_us
where list_contains($lanes, plan.lane)
group by spans.key, plan.plan, plan.plan_cause
order by key, plan, cause
