-- One row per kind of link of the task graph: its least lag, how often it was a candidate, was bound, lay on the chain.
with

kinds as (
    select * from gate_links
)

select
    lane                                        as lane,
    what                                        as what,
    thread                                      as thread,
    from_lane                                   as waited_for,
    from_what                                   as its,
    (sum(lag_us * cases_n) / sum(cases_n))::bigint as lag_us,
    sum(cases_n)::bigint                        as cases_n,
    sum(bound_n)::bigint                        as bound_n,
    sum(chain_n)::bigint                        as chain_n
from kinds
group by lane, what, thread, from_lane, from_what
order by lane, what, thread, waited_for, its
