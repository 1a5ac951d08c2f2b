-- One row per key and kind of set: sets whose latest member came within the window, complete or still open.
-- A set that grew over a day's edge stands in both days' facts: its fuller state counts.
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
    group by spans.key, sets.set
)

select
    key                                                        as key,
    product                                                    as product,
    count(*) filter (where complete)                           as complete_n,
    count(*) filter (where not complete)                       as open_n,
    coalesce(sum(placed) filter (where not complete), 0)::bigint as open_members_n
from latest
group by key, product
order by key, product
