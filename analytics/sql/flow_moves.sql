-- One row per move of a part into the cell (+1) or out of it (-1) within the window.
with

steps as (
    select
        us,
        case when move in ('fed', 'found') then 1 else -1 end  as step
    from moves
    where
        move in ('fed', 'found', 'good', 'reject', 'removed', 'lost')
        and ($products is null or list_contains($products, product))
)

select
    us,
    step
from steps
where us >= $from_us and us < $to_us
order by us, step
