-- One row per product: parts fed within the window, and parts that left within it, good or not.
select
    product                                                             as product,
    count(*) filter (where move in ('fed', 'found'))                    as fed_n,
    count(*) filter (where move = 'good')                               as good_n,
    count(*) filter (where move in ('reject', 'removed'))               as bad_n
from moves
where us >= $from_us and us < $to_us
group by product
order by product
