-- One row per part that was good or rejected in the window and of which the logs say on what carrier it lay.
select
    part                               as part,
    carrier                            as carrier,
    "set"                              as set_place,
    product                            as product,
    outcome                            as outcome
from parts
where
    done_us >= $from_us and done_us < $to_us
    and outcome in ('good', 'reject') and carrier is not null
    and ($members is null or list_contains($members, product))
order by carrier, part
