-- One row per key and kind of set: sets whose latest member came within the window, complete or still open.
-- A set that grew over a day's edge stands in both days' facts: its fuller state counts. A row without a name stands
-- for n complete sets, see analytics/sums.py.
with

spans as (
    select * from windows
),

latest as (
    select
        spans.key                            as key,
        sets.set                             as set,
        max(sets.product)                    as product,
        bool_or(sets.complete)               as complete,
        max(sets.placed)                     as placed
    from sets
    inner join spans on sets.last_us >= spans.from_us and sets.last_us < spans.to_us
    where sets.set is not null
    group by spans.key, sets.set
),

counted as (
    select key, product, complete, placed, 1 as n from latest
    union all
    select
        spans.key,
        sets.product,
        sets.complete,
        sets.placed,
        sets.n
    from sets
    inner join spans on sets.last_us >= spans.from_us and sets.last_us < spans.to_us
    where sets.set is null
)

select
    key                                                        as key,
    product                                                    as product,
    coalesce(sum(n) filter (where complete), 0)::bigint        as complete_n,
    coalesce(sum(n) filter (where not complete), 0)::bigint    as open_n,
    coalesce(sum(placed) filter (where not complete), 0)::bigint as open_members_n
from counted
group by key, product
order by key, product
